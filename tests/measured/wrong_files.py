"""Files that are wrong in one thing each, in every format, and right ones that look like them.

`wrong` and `right` make them out of a few smooth spectra; `outcome` tells what became of one:

* ``refused``: in a sentence;
* ``right``: read, and every colour is the true one for the shop's viewing condition;
* ``told``: read, and a sentence names what is odd;
* ``believed``: read without a word, and wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from learn.colour.colorimetry import delta_e00, lab_from_xyz, viewing, xyz_from_reflectance
from pipelines.measured import read_measured
from pipelines.workspace.problems import UserError
from tests.measured.documents import (
    LAB,
    NM,
    SHOP,
    SPECTRA,
    cgats,
    cgats_xml,
    csv,
    cxf,
    cxf_object,
    cxf_spec,
    workbook,
)

SAME_DE00 = 0.6
# As dark as the darkest print of an invented shop; a bleached cloth; a pale ink over it.
DARK = np.stack([0.0072 + 0.0004 * np.sin((NM - at) / 90) for at in (380, 500)])
PALE = np.stack([0.78 + 0.06 * np.tanh((NM - 430) / 40), 0.62 + 0.12 * np.tanh((NM - 500) / 60)])
FLUORESCENT = 0.04 + 1.4 * np.exp(-(((NM - 610) / 35.0) ** 2))[None] + 0.4 * (NM > 640)


@dataclass(frozen=True)
class Readings:
    """What goes into a file: ``spectra`` times ``scale``; ``lab`` and ``xyz`` where not None."""

    spectra: np.ndarray
    with_spectra: bool = True
    scale: float | np.ndarray = 1.0
    lab: np.ndarray | None = None
    xyz: np.ndarray | None = None
    declared: tuple[tuple[str, str], ...] = ()
    spec: str | None = None

    @property
    def names(self) -> list[str]:
        return [f"P{i + 1}" for i in range(len(self.spectra))]

    @property
    def true_lab(self) -> np.ndarray:
        return lab_of(self.spectra)


@dataclass(frozen=True)
class Case:
    """A file; ``true_lab`` if reading it is no fault when these come out; ``word``: is telling."""

    content: bytes
    true_lab: np.ndarray | None = None
    word: str | None = None
    options: dict[str, str] = field(default_factory=dict)


def xyz_of(spectra: np.ndarray, illuminant: str = "D50", observer: str = "2") -> np.ndarray:
    """XYZ of spectra at 380 ... 730 nm."""
    return xyz_from_reflectance(spectra[:, 2:33], viewing(illuminant, observer))


def lab_of(spectra: np.ndarray, illuminant: str = "D50", observer: str = "2") -> np.ndarray:
    """Lab of the same."""
    view = viewing(illuminant, observer)
    return lab_from_xyz(xyz_of(spectra, illuminant, observer), view.white_xyz)


def _columns(one: Readings, sample: str, spelling: str, axes: str) -> dict[str, list[object]]:
    columns: dict[str, list[object]] = {sample: list(one.names)}
    for space, values in (("LAB", one.lab), ("XYZ", one.xyz)):
        if values is not None:
            for i, axis in enumerate(space):
                name = axes.format(space=space, axis=axis)
                if name in ("A", "B"):
                    name = name.lower()
                columns[name] = values[:, i].round(4).tolist()
    if one.with_spectra:
        values = one.spectra * np.broadcast_to(one.scale, (len(one.spectra),))[:, None]
        columns |= {spelling.format(nm): values[:, i].round(6).tolist() for i, nm in enumerate(NM)}
    return columns


def _text(one: Readings) -> bytes:
    header = "\n".join(f'{key} "{value}"' for key, value in one.declared)
    return cgats(_columns(one, "SAMPLE_NAME", "SPECTRAL_NM{}", "{space}_{axis}"), header).encode()


def _tabs(one: Readings) -> bytes:
    header = "\r\n".join(f'{key} "{value}"' for key, value in one.declared)
    text = cgats(_columns(one, "SAMPLE_ID", "nm{}", "{space}_{axis}"), header, sep="\t")
    return text.encode()


def _xml(one: Readings) -> bytes:
    text = cgats_xml(_columns(one, "SAMPLE_NAME", "SPECTRAL_NM{}", "{space}_{axis}"))
    header = "".join(f"<{key}>{value}</{key}>" for key, value in one.declared)
    return text.replace("<OBSERVER>2</OBSERVER>", header).encode()


def _sheet_columns(one: Readings) -> dict[str, list[object]]:
    more = {key: [value] * len(one.spectra) for key, value in one.declared}
    return _columns(one, "sample", "{} nm", "{axis}") | more


def _csv(one: Readings) -> bytes:
    return csv(_sheet_columns(one)).encode()


def _comma(one: Readings) -> bytes:
    columns = {
        name: [str(c).replace(".", ",") if isinstance(c, float) else c for c in cells]
        for name, cells in _sheet_columns(one).items()
    }
    return csv(columns, ";").encode()


def _xlsx(one: Readings) -> bytes:
    return workbook(_sheet_columns(one))


def _cxf(one: Readings) -> bytes:
    objects = ""
    scale = np.broadcast_to(one.scale, (len(one.spectra),))
    for i, name in enumerate(one.names):
        values = ""
        if one.with_spectra:
            text = " ".join(f"{v:.6f}" for v in one.spectra[i] * scale[i])
            values += f'<cc:ReflectanceSpectrum ColorSpecification="M1" StartWL="380">{text}'
            values += "</cc:ReflectanceSpectrum>"
        for kind, axes, triple in (("Lab", "LAB", one.lab), ("XYZ", "XYZ", one.xyz)):
            if triple is not None:
                inside = zip(axes, triple[i], strict=True)
                parts = "".join(f"<cc:{a}>{v:.4f}</cc:{a}>" for a, v in inside)
                name_ = f"cc:ColorCIE{kind}"
                values += f'<{name_} ColorSpecification="M1">{parts}</{name_}>'
        objects += cxf_object(name, values)
    return cxf(objects, one.spec or cxf_spec()).encode()


WRITERS: dict[str, Callable[[Readings], bytes]] = {
    "cgats": _text,
    "cgats_tabs": _tabs,
    "cgats_xml": _xml,
    "cxf": _cxf,
    "csv": _csv,
    "csv_comma": _comma,
    "xlsx": _xlsx,
}
KEYWORDS = ("cgats", "cgats_tabs", "cgats_xml")
COLUMNS = ("csv", "csv_comma", "xlsx")


def _both(spectra: np.ndarray, illuminant: str = "D50", observer: str = "2") -> Readings:
    return Readings(spectra, lab=lab_of(spectra, illuminant, observer))


def _lab_only(spectra: np.ndarray, illuminant: str = "D50", observer: str = "2") -> Readings:
    return replace(_both(spectra, illuminant, observer), with_spectra=False)


def _swapped(lab: np.ndarray) -> np.ndarray:
    return lab[:, [0, 2, 1]]


# What a file may say of how it was measured, by the fact meant: keywords, columns, CxF.
OTHER_LIGHT_KEYWORDS = (
    ("ILLUMINATION_NAME", "D65"),
    ("ILLUMINANT", "D65"),
    ("ILLUMINANT_NAME", "CIE D65"),
    ("WEIGHTING_FUNCTION", "ILLUMINANT, D65"),
    ("MEASUREMENT_SOURCE", "Illumination=D65"),
    ("LIGHT_SOURCE", "D65"),
    ("ILLUMINANT", "store light"),
    ("DESCRIPTOR", "Lab D65/2 deg"),
)
OTHER_OBSERVER_KEYWORDS = (
    ("OBSERVER", "10"),
    ("OBSERVER_ANGLE", "10 degree"),
    ("OBSERVER", "CIE 1964"),
    ("WEIGHTING_FUNCTION", "OBSERVER, 10 degree"),
    ("ILLUMINANT", "D50/10 deg"),
    ("ILLUMINATION_NAME", "D50/10"),
    ("OBSERVER", "D50-10"),
)
OTHER_LIGHT_COLUMNS = (
    ("illuminant", "D65"),
    ("light source", "D65"),
    ("Illuminant/Observer", "D65/2°"),
    ("illumination", "D65"),
    ("illuminant", "TL84"),
    ("Lichtart", "D65"),
    ("light", "D65"),
)
OTHER_OBSERVER_COLUMNS = (
    ("observer", "10"),
    ("observer angle", "10°"),
    ("illuminant", "D50/10 deg"),
    ("standard observer", "CIE 1964"),
    ("Beobachter", "10°"),
    ("Illuminant/Observer", "D50-10"),
)
OTHER_FILTER_KEYWORDS = (
    ("FILTER", "UVcut"),
    ("FILTER", "Pol"),
    ("FILTER", "no"),
    ("FILTER", "UV excluded"),
    ("POLARIZATION", "yes"),
    ("MEASUREMENT_SOURCE", "Illumination=D50 Filter=UVcut"),
    ("MEASUREMENT_CONDITION", "M2"),
)
OTHER_FILTER_COLUMNS = (
    ("filter", "UVcut"),
    ("filter", "Pol"),
    ("filter", "no"),
    ("polarisation", "on"),
    ("measurement condition", "M0"),
    ("measurement mode", "M2"),
)
NO_PRINT_KEYWORDS = (
    ("DEVICE_CLASS", "DISPLAY"),
    ("MEASUREMENT_TYPE", "transmittance"),
    ("MEASUREMENT_GEOMETRY", "transmission 0/d"),
    ("MEASUREMENT_MODE", "emissive"),
    ("MEASUREMENT_SOURCE", "Emission"),
)
NO_PRINT_COLUMNS = (
    ("measurement type", "transmittance"),
    ("mode", "emissive"),
    ("device class", "DISPLAY"),
)
GLOSS_KEYWORDS = (
    ("MEASUREMENT_GEOMETRY", "d/8 specular included"),
    ("MEASUREMENT_GEOMETRY", "di:8"),
    ("GEOMETRY", "SPIN"),
    ("SPECULAR", "included"),
)
GLOSS_COLUMNS = (
    ("geometry", "d/8 SCI"),
    ("specular", "included"),
)
_POLARISED = "<cc:DevicePolarization>true</cc:DevicePolarization></cc:Device>"
_CUSTOM = "<cc:CustomIlluminant><cc:Name>shop window</cc:Name></cc:CustomIlluminant>"


def _spec(old: str, new: str, **options: str) -> str:
    spec = cxf_spec(**options)
    assert old in spec
    return spec.replace(old, new, 1)


def _measured(inside: str) -> str:
    return _spec("<cc:MeasurementSpec>", f"<cc:MeasurementSpec>{inside}")


CXF_LIGHTS = {
    "D65": cxf_spec(light="D65"),
    "custom": _spec("<cc:Illuminant>D50</cc:Illuminant>", _CUSTOM),
    "TL84": cxf_spec(light="TL84"),
    "10 degree": _spec("2_Degree", "10_Degree"),
    "custom observer": _spec("2_Degree", "Custom_CMF"),
}
CXF_FILTERS = {
    "polarised": _spec("</cc:Device>", _POLARISED, lamp="LED"),
    "M1 but polarised": _spec("</cc:Device>", _POLARISED),
    "UV excluded": _spec(
        "</cc:Device>",
        "<cc:DeviceFilter>Filter_UVExcluded</cc:DeviceFilter></cc:Device>",
        lamp="LED",
    ),
    "no filter": _spec(
        "</cc:Device>", "<cc:DeviceFilter>Filter_None</cc:DeviceFilter></cc:Device>", lamp="Flash"
    ),
    "M0": cxf_spec(lamp="M0_Incandescent"),
    "lamp of its own": cxf_spec(lamp="Custom"),
}
CXF_NO_PRINT = {
    kind: _measured(f"<cc:MeasurementType>{kind}</cc:MeasurementType>")
    for kind in ("Spectrum_Transmittance", "Spectrum_Emissive", "Colorimetric_Transmittance",
                 "Colorimetric_Emissive", "Spectrum_TotalTransmittance")
}  # fmt: skip
_SPHERE = "<cc:GeometryChoice><cc:SphereGeometry>{}</cc:SphereGeometry></cc:GeometryChoice>"
CXF_GLOSS = {"sphere": _measured(_SPHERE.format("Specular_Included"))}


def _off_axes(values: np.ndarray, axis: int, to: float) -> np.ndarray:
    out = values.copy()
    out[-1, axis] = to
    return out


def _content(kind: str) -> Iterator[tuple[str, Readings]]:
    """Faults of the readings themselves, in any format."""
    both, dark = _both(SPECTRA), Readings(DARK, scale=100)
    lab = both.lab
    assert lab is not None
    if kind != "cxf":  # whose values are fractions by its schema
        yield "black in percent", dark
        yield "one black in percent", replace(dark, spectra=DARK[:1])
    yield "black in percent, Lab of it", _both(DARK, "D65", "10")  # replaced below
    yield "between the scales", Readings(PALE[:1], scale=3)
    yield "rows on two scales", Readings(SPECTRA, scale=np.array([100, 1, 1, 1]))
    yield "other Lab", replace(both, lab=lab[::-1])
    yield "Lab a little off", replace(both, lab=lab + np.array([2.0, 0, 0]))
    yield "one row's Lab off", replace(both, lab=_off_axes(lab, 1, -lab[-1, 1] + 20))
    yield "a and b exchanged", replace(both, lab=_swapped(lab))
    yield "sign of b lost", replace(both, lab=np.abs(lab))
    yield "Lab for D65/10, not said", replace(both, lab=lab_of(SPECTRA, "D65", "10"))
    yield "XYZ beside other Lab", Readings(SPECTRA, False, lab=lab, xyz=xyz_of(SPECTRA)[::-1])
    yield "XYZ, a and b exchanged", Readings(SPECTRA, False, lab=_swapped(lab), xyz=xyz_of(SPECTRA))
    yield "XYZ for D65", Readings(SPECTRA, False, lab=lab, xyz=xyz_of(SPECTRA, "D65"))
    yield "XYZ off the spectra", replace(both, xyz=xyz_of(SPECTRA)[::-1])
    yield "a of 272", replace(both, with_spectra=False, lab=_off_axes(lab, 1, 272))
    yield "b of -272", replace(both, with_spectra=False, lab=_off_axes(lab, 2, -272))
    yield "no such colour", replace(both, with_spectra=False, lab=_off_axes(lab, 1, 145))
    yield "L of 120", replace(both, with_spectra=False, lab=_off_axes(lab, 0, 120))
    yield "L below 0", replace(both, with_spectra=False, lab=_off_axes(lab, 0, -3))
    xyz = xyz_of(SPECTRA)
    yield "XYZ of no surface", Readings(SPECTRA, False, xyz=_off_axes(xyz, 0, 149))
    yield "XYZ negative", Readings(SPECTRA, False, xyz=_off_axes(xyz, 1, -4))
    yield "XYZ up to 1", Readings(SPECTRA, False, xyz=xyz / 100)
    yield "Lab as fractions", replace(both, with_spectra=False, lab=lab / 100)
    yield "reflectance of 2.4", Readings(SPECTRA, scale=np.array([1, 1, 1, 3]))
    yield "reflectance below 0", Readings(np.vstack([SPECTRA[1:], SPECTRA[:1] - 0.2]))
    yield "no light", Readings(np.vstack([SPECTRA[:3], 0 * SPECTRA[3:]]))


def wrong() -> dict[str, Case]:
    """Wrong files by format and fault."""
    cases: dict[str, Case] = {}
    asked = {"measurement_condition": "M1"}
    for kind, write in WRITERS.items():
        for fault, one in _content(kind):
            if fault == "black in percent, Lab of it":
                one = replace(_both(DARK), scale=100)
                cases[f"{kind}: {fault}"] = Case(write(one), true_lab=one.true_lab)
                continue
            cases[f"{kind}: {fault}"] = Case(write(one))

    def declared(kinds: tuple[str, ...], ways: tuple[tuple[str, str], ...], one: Readings,
                 **more: object) -> None:  # fmt: skip
        for kind in kinds:
            for way in ways:
                case = Case(WRITERS[kind](replace(one, declared=(way,))), **more)  # type: ignore[arg-type]
                cases[f"{kind}: {way[0]} {way[1]}, {'spectra' if one.with_spectra else 'Lab'}"] = (
                    case
                )

    plain = Readings(SPECTRA)
    for kinds, lights, observers, filters, nothing, gloss in (
        (KEYWORDS, OTHER_LIGHT_KEYWORDS, OTHER_OBSERVER_KEYWORDS, OTHER_FILTER_KEYWORDS,
         NO_PRINT_KEYWORDS, GLOSS_KEYWORDS),
        (COLUMNS, OTHER_LIGHT_COLUMNS, OTHER_OBSERVER_COLUMNS, OTHER_FILTER_COLUMNS,
         NO_PRINT_COLUMNS, GLOSS_COLUMNS),
    ):  # fmt: skip
        declared(kinds, lights, _lab_only(SPECTRA, "D65"))
        declared(kinds, observers, _lab_only(SPECTRA, "D50", "10"))
        declared(kinds, filters, plain, options=asked)
        declared(kinds, nothing, plain)
        declared(kinds, gloss, plain)
    for name, spec in CXF_LIGHTS.items():
        cases[f"cxf: {name}, Lab"] = Case(_cxf(replace(_lab_only(SPECTRA, "D65"), spec=spec)))
    for name, spec in CXF_FILTERS.items():
        word = "tells none of M0 to M3" if "its own" in name else None
        cases[f"cxf: {name}"] = Case(_cxf(replace(plain, spec=spec)), word=word, options=asked)
    for name, spec in (CXF_NO_PRINT | CXF_GLOSS).items():
        cases[f"cxf: {name}"] = Case(_cxf(replace(plain, spec=spec)))
    return cases | _files_of_no_prints()


def _files_of_no_prints() -> dict[str, Case]:
    text = _text(_lab_only(SPECTRA)).decode()
    cases = {
        f"cgats: {first}": Case(text.replace("CGATS.17", first, 1).encode())
        for first in ("CTI1", "CTI2", "IT8.7/1", "IT8.7/2", "CCMX", "CCSS", "CAL")
    }
    mixed = _comma(_both(SPECTRA)).decode()
    lines = mixed.split("\n")
    lines[2] = lines[2].replace(",", ".", 1)
    cases["csv_comma: one point"] = Case("\n".join(lines).encode())
    rows = ["sample;L;a;b", "A;25,5;1.250;3,5", "B;40,5;2,5;3,5"]
    cases["csv_comma: 1.250 beside 25,5"] = Case("\n".join(rows).encode())
    spectrum = _cxf(Readings(SPECTRA)).decode()
    for other in ("Transmittance", "Emissive"):
        swapped = spectrum.replace("ReflectanceSpectrum", f"{other}Spectrum")
        cases[f"cxf: {other}Spectrum"] = Case(swapped.encode())
    return cases


def right() -> dict[str, Case]:
    """Right files that look like wrong ones, by format."""
    cases: dict[str, Case] = {}
    everything = np.vstack([SPECTRA, DARK, PALE])
    fine = {
        "fractions": Readings(SPECTRA),
        "percent": Readings(SPECTRA, scale=100),
        "percent with a black": Readings(everything, scale=100),
        "fractions with a black and a white": Readings(everything),
        "black in fractions": Readings(DARK),
        "black in percent with Lab": replace(_both(DARK), scale=100),
        "white in fractions with Lab": _both(PALE),
        "white in percent": Readings(PALE, scale=100),
        "fluorescent with Lab": _both(FLUORESCENT),
        "fluorescent": Readings(np.vstack([SPECTRA, FLUORESCENT])),
        "Lab, XYZ and spectra": replace(_both(SPECTRA), xyz=xyz_of(SPECTRA)),
        "Lab alone": _lab_only(SPECTRA),
        "XYZ alone": Readings(SPECTRA, False, xyz=xyz_of(SPECTRA)),
        "dark XYZ alone": Readings(everything, False, xyz=xyz_of(everything)),
    }
    for kind, write in WRITERS.items():
        for name, one in fine.items():
            cases[f"{kind}: {name}"] = Case(write(one), one.true_lab)
    light = _both(SPECTRA, "D65", "10")
    said = {
        KEYWORDS: (
            (("ILLUMINANT", "D65"), ("OBSERVER", "10")),
            (("ILLUMINATION_NAME", "D65"), ("OBSERVER_ANGLE", "10 degree")),
            (("ILLUMINANT", "D65/10 deg"),),
            (("WEIGHTING_FUNCTION", "ILLUMINANT, D65"), ("WEIGHTING_FUNCTION", "OBSERVER, 10")),
        ),
        COLUMNS: (
            (("illuminant", "D65"), ("observer", "10")),
            (("light source", "D65"), ("observer angle", "10°")),
            (("Illuminant/Observer", "D65/10°"),),
        ),
    }
    for kinds, ways in said.items():
        for kind in kinds:
            for way in ways:
                name = f"{kind}: spectra beside Lab for D65/10 ({way[0][0]} {way[0][1]})"
                cases[name] = Case(WRITERS[kind](replace(light, declared=way)), light.true_lab)
    kept = {
        KEYWORDS: (
            ("MEASUREMENT_CONDITION", "M1"),
            ("MEASUREMENT_SOURCE", "MeasurementCondition=M1 Filter=no"),
            ("MEASUREMENT_GEOMETRY", "45/0"),
            ("MEASUREMENT_GEOMETRY", "d/8 specular excluded"),
            ("DEVICE_CLASS", "OUTPUT"),
            ("SAMPLE_BACKING", "Black"),
        ),
        COLUMNS: (("measurement condition", "M1"), ("geometry", "45/0"), ("backing", "black")),
    }
    for kinds, single in kept.items():
        for kind in kinds:
            for key, value in single:
                content = WRITERS[kind](replace(_both(SPECTRA), declared=((key, value),)))
                cases[f"{kind}: {key} {value}"] = Case(content, lab_of(SPECTRA))
    unknown = replace(light, spec=CXF_LIGHTS["custom"])
    cases["cxf: spectra beside Lab for a light of its own"] = Case(_cxf(unknown), light.true_lab)
    return cases


def outcome(case: Case, path: Path) -> tuple[str, str]:
    """What became of the file, written to ``path``; and the sentences that were said."""
    path.write_bytes(case.content)
    try:
        measured = read_measured(path, SHOP, **case.options)
    except UserError as error:
        return "refused", str(error)
    said = " ".join(measured.said)
    lab = measured.frame[LAB].to_numpy(float)
    true = case.true_lab
    if true is not None and len(lab) == len(true) and (delta_e00(lab, true) < SAME_DE00).all():
        return "right", said
    return ("told" if case.word and case.word in said else "believed"), said
