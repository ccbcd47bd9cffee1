"""The shop's own measurements as CGATS text and as CxF3, for other programs to read."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from xml.etree.ElementTree import Element, SubElement, indent, register_namespace, tostring

import numpy as np
import pandas as pd

from pipelines.tables.spectra import SPECTRUM, WAVELENGTHS_NM
from pipelines.workspace.files import beside, write_text
from pipelines.workspace.problems import printable

CXF_NAMESPACE = "http://colorexchangeformat.com/CxF3-core"
_KEYWORDS = {
    "created": "CREATED",
    "instrument": "INSTRUMENTATION",
    "geometry": "MEASUREMENT_GEOMETRY",
    "illuminant": "ILLUMINANT",
    "observer": "OBSERVER",
    "backing": "SAMPLE_BACKING",
    "measurement_condition": "MEASUREMENT_CONDITION",
}
_LAMPS = {
    "M0": "M0_Incandescent",
    "M1": "M1_Daylight",
    "M2": "M2_UVExcluded",
    "M3": "M3_Polarized",
}


def write_cgats(frame: pd.DataFrame, facts: Mapping[str, str], path: Path) -> None:
    """Write readings (columns of `Measured.frame`) as CGATS.17 / ISO 28178 text.

    Two tables where only some readings have a spectrum: first those, then the others. Numbers
    carry all their digits. ``facts`` as in `Measured`; illuminant and observer are those of L,
    a, b.
    """
    lines = ["CGATS.17", "", f"ORIGINATOR {_quoted('strikeoff')}"]
    for fact, keyword in _KEYWORDS.items():
        if fact in facts:
            lines += [f"KEYWORD {_quoted(keyword)}"] if keyword not in _STANDARD else []
            lines.append(f"{keyword} {_quoted(facts[fact])}")
    has_spectrum = _has_spectrum(frame)
    for readings, bands in ((frame[has_spectrum], SPECTRUM), (frame[~has_spectrum], [])):
        if len(readings) or (not bands and frame.empty):
            lines += _table(readings, bands)
    write_text(path, "\n".join(lines) + "\n")


_STANDARD = {"CREATED", "INSTRUMENTATION"}


def _table(readings: pd.DataFrame, bands: list[str]) -> list[str]:
    fields = ["SAMPLE_ID", "SAMPLE_NAME", "LAB_L", "LAB_A", "LAB_B"]
    fields += [f"SPECTRAL_NM{band[1:]}" for band in bands]
    numbers = readings[["L", "a", "b", *bands]].to_numpy(float).tolist()
    rows = [
        " ".join([str(i), _quoted(name), *map(repr, row)])
        for i, (name, row) in enumerate(zip(readings["sample"], numbers, strict=True), start=1)
    ]
    return [
        "",
        f"NUMBER_OF_FIELDS {len(fields)}",
        "BEGIN_DATA_FORMAT",
        " ".join(fields),
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(rows)}",
        "BEGIN_DATA",
        *rows,
        "END_DATA",
    ]


def write_cxf(frame: pd.DataFrame, facts: Mapping[str, str], path: Path) -> None:
    """Write readings (columns of `Measured.frame`) as CxF3, an object a reading.

    An object needs a date of creation: ``facts["created"]`` where that is an ISO date and
    time, else the first of January 1970. ``facts`` as in `write_cgats`.
    """
    register_namespace("cc", CXF_NAMESPACE)
    created = facts.get("created", "")
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:]{8}(Z|[+-][0-9]{2}:[0-9]{2})?", created):
        created = "1970-01-01T00:00:00Z"
    root = Element(_tag("CxF"))
    about = SubElement(root, _tag("FileInformation"))
    _leaf(about, "Creator", "strikeoff")
    _leaf(about, "CreationDate", created)
    resources = SubElement(root, _tag("Resources"))
    objects = SubElement(resources, _tag("ObjectCollection"))
    rows = frame[["L", "a", "b", *SPECTRUM]].to_numpy(float)
    named = zip(frame["sample"], rows, _has_spectrum(frame), strict=True)
    for number, (name, row, has_spectrum) in enumerate(named, start=1):
        kind = {"ObjectType": "Trial", "Name": _line(name), "Id": f"R{number}"}
        one = SubElement(objects, _tag("Object"), kind)
        _leaf(one, "CreationDate", created)
        values = SubElement(one, _tag("ColorValues"))
        if has_spectrum:
            told = {"ColorSpecification": "CS1", "StartWL": str(WAVELENGTHS_NM[0])}
            spectrum = SubElement(values, _tag("ReflectanceSpectrum"), told)
            spectrum.text = " ".join(map(repr, row[3:].tolist()))
        lab = SubElement(values, _tag("ColorCIELab"), {"ColorSpecification": "CS1"})
        for axis, value in zip("LAB", row[:3].tolist(), strict=True):
            _leaf(lab, axis, repr(value))
    specs = SubElement(resources, _tag("ColorSpecificationCollection"))
    _specification(SubElement(specs, _tag("ColorSpecification"), {"Id": "CS1"}), facts)
    indent(root)
    with beside(path) as fresh:
        fresh.write_bytes(tostring(root, encoding="utf-8", xml_declaration=True))


def _specification(spec: Element, facts: Mapping[str, str]) -> None:
    if "illuminant" in facts and "observer" in facts:
        light = SubElement(spec, _tag("TristimulusSpec"))
        _leaf(light, "Illuminant", facts["illuminant"])
        _leaf(light, "Observer", f"{facts['observer']}_Degree")
        _leaf(light, "Method", "E308_Table5")
    how = SubElement(spec, _tag("MeasurementSpec"))
    _leaf(how, "MeasurementType", "Spectrum_Reflectance")
    geometry = SubElement(how, _tag("GeometryChoice"))
    if angles := re.fullmatch(r"([0-9]+):([0-9]+)", facts.get("geometry", "")):
        single = SubElement(geometry, _tag("SingleAngle"))
        _leaf(single, "SingleAngleConfiguration", "Annular")
        _leaf(single, "IlluminationAngle", angles[1])
        _leaf(single, "MeasurementAngle", angles[2])
    else:
        _leaf(geometry, "UnknownGeometry", facts.get("geometry", "not known"))
    step = {"StartWL": str(WAVELENGTHS_NM[0]), "Increment": "10"}
    SubElement(how, _tag("WavelengthRange"), step)
    if "backing" in facts:
        _leaf(how, "Backing", facts["backing"])
    if "instrument" in facts or "measurement_condition" in facts:
        device = SubElement(how, _tag("Device"))
        if "instrument" in facts:
            _leaf(device, "Model", facts["instrument"])
        if lamp := _LAMPS.get(facts.get("measurement_condition", "")):
            _leaf(device, "DeviceIllumination", lamp)


def _has_spectrum(frame: pd.DataFrame) -> np.ndarray:
    return frame[SPECTRUM].notna().all(axis=1).to_numpy()


def _tag(name: str) -> str:
    return f"{{{CXF_NAMESPACE}}}{name}"


def _leaf(parent: Element, name: str, text: str) -> None:
    SubElement(parent, _tag(name)).text = _line(text)


def _line(text: str) -> str:
    return printable(" ".join(str(text).split()))


def _quoted(text: str) -> str:
    return '"' + _line(text).replace('"', '""') + '"'
