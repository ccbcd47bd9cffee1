"""CxF3 / ISO 17972: objects with spectra and Lab, and spot-colour characterisations."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element

import pandas as pd

from pipelines.measured import facts as declared
from pipelines.measured.block import Block, check_counts, check_tables, listed, refuse
from pipelines.measured.reflectance import STEPS_NM
from pipelines.measured.spot import Tint, spot_inks
from pipelines.measured.xmlfile import local, text_of
from pipelines.tables.cells import shown


@dataclass
class _Spec:
    """A colour specification: what it declares, and the spectral range."""

    facts: dict[str, str] = field(default_factory=dict)
    start_nm: str | None = None
    step_nm: str | None = None


@dataclass
class _Reading:
    name: str
    where: str
    cells: dict[str, str]
    facts: dict[str, str]
    tint: Tint | None


def read_cxf(root: Element, file: str, said: list[str]) -> list[Block]:
    """One table for each set of conditions and spectral range that the objects are in."""
    specs = _specifications(root, file)
    inks = spot_inks(root, file, said)
    objects = [e for e in root.iter() if local(e) == "Object"]
    _check_references(objects, inks, file)
    objects = _measured_only(objects, inks, said)
    check_counts(file, len(objects), 0)
    created = next((text_of(e) for e in root.iter() if local(e) == "CreationDate"), "")
    readings: list[_Reading] = []
    bare = 0
    for number, element in enumerate(objects, start=1):
        found = _readings(element, number, specs, inks, file, said)
        bare += not found
        readings += found
    if bare:
        said.append(f"{bare} of {len(objects)} objects have neither spectrum, Lab nor XYZ.")
    check_counts(file, len(readings), 0)
    if inks:
        _settle_backing(readings, said)
    if created:
        for reading in readings:
            reading.facts["created"] = created
    # Those alike in what they declare and in their wavelengths form a table, in whatever order.
    tables: dict[tuple[object, ...], list[_Reading]] = {}
    for reading in readings:
        tables.setdefault(_kind(reading), []).append(reading)
    check_tables(file, len(tables))
    return [_block(alike, bool(inks)) for alike in tables.values()]


def _kind(reading: _Reading) -> tuple[object, ...]:
    return tuple(reading.cells), tuple(reading.facts.items())


def _block(readings: list[_Reading], spot: bool) -> Block:
    names = list(readings[0].cells)
    cells = pd.DataFrame([list(r.cells.values()) for r in readings], columns=names, dtype=object)
    extra = None
    if spot:
        tints = [r.tint or Tint(None, None, float("nan")) for r in readings]
        extra = pd.DataFrame(
            {
                "ink": pd.Series([t.ink for t in tints], dtype=object),
                "over": pd.Series([t.over for t in tints], dtype=object),
                "tint_pct": pd.Series([t.tint_pct for t in tints], dtype=float),
            }
        )
    facts = dict(readings[0].facts)
    return Block(cells, [r.where for r in readings], facts, extra=extra, scale="fraction")


def _specifications(root: Element, file: str) -> dict[str, _Spec]:
    specs: dict[str, _Spec] = {}
    for element in root.iter():
        if local(element) != "ColorSpecification":
            continue
        key = element.get("Id", "")
        if key in specs:
            what = f"the colour specification {shown(key)} stands there twice"
            refuse(file, what, "export the file again")
        spec = specs[key] = _Spec()
        texts = {local(e): text_of(e) for e in element.iter() if text_of(e)}
        spec.facts |= _declared(element, texts, key, file)
        maker, model = texts.get("Manufacturer", ""), texts.get("Model", "")
        if maker or model:
            spec.facts["instrument"] = f"{maker} {model}".strip()
        for span in (e for e in element.iter() if local(e) == "WavelengthRange"):
            spec.start_nm, spec.step_nm = span.get("StartWL"), span.get("Increment")
    return specs


_FIELDS = {
    "Illuminant": "illuminant",
    "Observer": "observer",
    "Backing": "backing",
    "SphereGeometry": "geometry",
    "MeasurementType": "measurement type",
    "DeviceFilter": "filter",
}


def _declared(element: Element, texts: dict[str, str], key: str, file: str) -> dict[str, str]:
    """What a specification tells of the measurement; ``texts``: its elements by name.

    Names and values as the library colour-cxf 0.1.1 has them of the schema.
    """
    fields = {field: texts[name] for name, field in _FIELDS.items() if name in texts}
    own = next((e for e in element.iter() if local(e) == "CustomIlluminant"), None)
    if own is not None:
        names = [text_of(e) for e in own if local(e) == "Name"]
        fields["illuminant"] = " ".join(["a light of its own", *filter(None, names)])
    if "EmissiveMode" in texts:
        fields["measurement type"] = "emissive"
    facts = declared.of_columns(
        {field: [text.replace("_", " ")] for field, text in fields.items()}, file
    )
    angles = texts.get("IlluminationAngle"), texts.get("MeasurementAngle")
    if all(angles):
        whole = (re.sub(r"\.0+$", "", angle or "") for angle in angles)
        facts["geometry"] = ":".join(whole)
    # Some programs tell the condition in the name alone; other lamps are none of M0 to M3.
    lamp = texts.get("DeviceIllumination")
    condition = declared.normal("measurement_condition", (lamp or key).replace("_", " "))
    if re.fullmatch(r"M[0-3]", condition):
        facts["measurement_condition"] = condition
    elif lamp:
        facts["lamp"] = lamp
    if texts.get("DevicePolarization", "").casefold() in ("true", "1"):
        facts["filter"] = "M3"
    return facts


def _check_references(objects: list[Element], inks: dict[str, Tint], file: str) -> None:
    ids = Counter(element.get("Id", "") for element in objects)
    lost = [key for key in inks if key not in ids]
    if lost:
        what = f"the characterisation refers to {shown(lost[0])}, which is no object of the file"
        refuse(file, what, "export the file again")
    twice = [key for key in inks if ids[key] > 1]
    if twice:
        what = f"two objects have the Id {shown(twice[0])}"
        refuse(file, what, "export the file again")


def _measured_only(objects: list[Element], inks: dict[str, Tint], said: list[str]) -> list[Element]:
    """Beside trials, standards are targets, not prints."""
    kinds = [element.get("ObjectType", "") for element in objects]
    if inks or not ("Trial" in kinds and "Standard" in kinds):
        return objects
    said.append(f"{kinds.count('Standard')} standards left aside: the trials are the prints.")
    return [e for e, kind in zip(objects, kinds, strict=True) if kind != "Standard"]


def _readings(
    element: Element,
    number: int,
    specs: dict[str, _Spec],
    inks: dict[str, Tint],
    file: str,
    said: list[str],
) -> list[_Reading]:
    """The readings of one object: its spectra, each with the Lab or XYZ that goes with it."""
    name = " ".join(element.get("Name", "").split()) or element.get("Id", "")
    where = f"object '{name}'" if name else f"object {number}"
    values: dict[str, list[tuple[str, Element]]] = {}
    for child in (c for e in element if local(e) == "ColorValues" for c in e):
        values.setdefault(local(child), []).append((child.get("ColorSpecification", ""), child))
    spectra = values.get("ReflectanceSpectrum", [])
    labs, xyzs = values.get("ColorCIELab", []), values.get("ColorCIEXYZ", [])
    triples = labs or xyzs
    tint = inks.get(element.get("Id", ""))
    for key, _ in (*spectra, *triples):
        if key not in specs and specs:
            what = f"the colour specification {shown(key)} is not in the file"
            refuse(file, what, "export the file again", where=where)
    rest = list(triples)
    found = []
    for key, spectrum in spectra:
        spec = specs.get(key, _Spec())
        cells = {"SAMPLE_NAME": name} | _spectrum(spectrum, spec, where, file, said)
        facts = dict(spec.facts)
        mates = [t for t in rest if _same_light(spec, specs.get(t[0], _Spec()))]
        same = next((t for t in mates if t[0] == key), mates[0] if mates else None)
        if same:
            rest.remove(same)
            cells |= _beside(same, labs, xyzs)
            # The spectrum's own specification says how it was measured, Lab's for which light.
            lab_facts = specs.get(same[0], _Spec()).facts
            facts = {k: v for k, v in facts.items() if k not in ("illuminant", "observer")}
            facts |= {k: lab_facts[k] for k in ("illuminant", "observer") if k in lab_facts}
        found.append(_Reading(name, where, cells, facts, tint))
    if not spectra:
        for key, triple in triples:
            cells = {"SAMPLE_NAME": name} | _beside((key, triple), labs, xyzs)
            found.append(_Reading(name, where, cells, dict(specs.get(key, _Spec()).facts), tint))
    return found


def _same_light(one: _Spec, other: _Spec) -> bool:
    """Whether Lab of the other can come from a spectrum of the one: by measurement condition."""
    a, b = (spec.facts.get("measurement_condition") for spec in (one, other))
    return a is None or b is None or a == b


def _beside(
    one: tuple[str, Element], labs: list[tuple[str, Element]], xyzs: list[tuple[str, Element]]
) -> dict[str, str]:
    """The cells of Lab or XYZ, and those of XYZ beside Lab under the same specification."""
    mates = [xyz for key, xyz in xyzs if labs and key == one[0]]
    return _triple(one[1]) | (_triple(mates[0]) if len(mates) == 1 else {})


def _triple(element: Element) -> dict[str, str]:
    space = "LAB" if local(element) == "ColorCIELab" else "XYZ"
    return {f"{space}_{local(axis).upper()}": text_of(axis) for axis in element}


def _spectrum(
    element: Element, spec: _Spec, where: str, file: str, said: list[str]
) -> dict[str, str]:
    """The values under their wavelengths."""
    values = (element.text or "").split()
    starts = {text for text in (element.get("StartWL"), spec.start_nm) if text}
    if len(starts) > 1:
        what = f"the spectrum starts at {listed(sorted(starts))} nm, two contradicting statements"
        refuse(file, what, "export the file again", where=where)
    if not starts:
        what = "the spectrum does not say at which wavelength it starts"
        refuse(file, what, "export it with StartWL", where=where)
    start = _whole(starts.pop(), where, file)
    if spec.step_nm:
        step = _whole(spec.step_nm, where, file)
    else:
        last = {step: start + step * (len(values) - 1) for step in STEPS_NM}
        fits = [step for step, end in last.items() if 680 <= end <= 830]
        if len(fits) != 1:
            what = f"the step of a spectrum of {len(values)} values is not declared"
            refuse(file, what, "export it with WavelengthRange", where=where)
        step = fits[0]
        said.append(f"No wavelength step declared: {len(values)} values are {step} nm apart.")
    check_counts(file, 0, len(values))
    if not (300 <= start <= 800 and 1 <= step <= 100):
        what = f"a spectrum from {start} nm in steps of {step} nm cannot be"
        refuse(file, what, "export the file again", where=where)
    if (end := start + step * (len(values) - 1)) >= 900:
        what = f"the spectrum would end at {end} nm"
        refuse(file, what, "export the file again", where=where)
    return {f"nm{start + step * i}": value for i, value in enumerate(values)}


def _whole(text: str, where: str, file: str) -> int:
    if not re.fullmatch(r"[0-9]{1,4}(\.0*)?", text.strip()):
        what = f"{shown(text)} is no wavelength in whole nm"
        refuse(file, what, "export the file again", where=where)
    return int(float(text))


def _settle_backing(readings: list[_Reading], said: list[str]) -> None:
    """A characterisation tells what lies beneath patch by patch: its backings may differ."""
    backings = {r.facts["backing"] for r in readings if r.facts.get("backing") is not None}
    if len(backings) > 1:
        for reading in readings:
            reading.facts.pop("backing", None)
        said.append(f"Backings differ patch by patch ({listed(sorted(backings))}).")
