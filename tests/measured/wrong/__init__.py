"""Files that are wrong in one thing each, in every format, and right ones that look like them.

`wrong` and `right` make them out of a few smooth spectra; `outcome` tells what became of one:

* ``refused``: in a sentence;
* ``right``: read, and every colour is the true one for the shop's viewing condition;
* ``told``: read, and a sentence names what is odd;
* ``believed``: read without a word, and wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from learn.colour.colorimetry import delta_e00
from pipelines.measured import read_measured
from pipelines.workspace.problems import UserError
from tests.measured.documents import LAB, SHOP, SPECTRA
from tests.measured.wrong import columns, cxf, keywords
from tests.measured.wrong.columns import comma
from tests.measured.wrong.cxf import cxf_file
from tests.measured.wrong.dress import right_dress, wrong_dress
from tests.measured.wrong.keywords import in_tables, text
from tests.measured.wrong.readings import (
    DARK,
    FLUORESCENT,
    PALE,
    Case,
    Readings,
    both,
    lab_of,
    lab_only,
    swapped,
    xyz_of,
)  # fmt: skip

SAME_DE00 = 0.6
WRITERS: dict[str, Callable[[Readings], bytes]] = {
    **keywords.WRITERS,
    "cxf": cxf_file,
    **columns.WRITERS,
}
KEYWORDS, COLUMNS = tuple(keywords.WRITERS), tuple(columns.WRITERS)


def _off_axes(values: np.ndarray, axis: int, to: float) -> np.ndarray:
    out = values.copy()
    out[-1, axis] = to
    return out


def _content(kind: str) -> Iterator[tuple[str, Readings]]:
    """Faults of the readings themselves, in any format."""
    two, dark = both(SPECTRA), Readings(DARK, scale=100)
    lab = two.lab
    assert lab is not None
    if kind != "cxf":  # whose values are fractions by its schema
        yield "black in percent", dark
        yield "one black in percent", replace(dark, spectra=DARK[:1])
    yield "black in percent, Lab of it", both(DARK, "D65", "10")  # replaced below
    yield "between the scales", Readings(PALE[:1], scale=3)
    yield "rows on two scales", Readings(SPECTRA, scale=np.array([100, 1, 1, 1]))
    yield "other Lab", replace(two, lab=lab[::-1])
    yield "Lab a little off", replace(two, lab=lab + np.array([2.0, 0, 0]))
    yield "one row's Lab off", replace(two, lab=_off_axes(lab, 1, -lab[-1, 1] + 20))
    yield "a and b exchanged", replace(two, lab=swapped(lab))
    yield "sign of b lost", replace(two, lab=np.abs(lab))
    yield "Lab for D65/10, not said", replace(two, lab=lab_of(SPECTRA, "D65", "10"))
    yield "XYZ beside other Lab", Readings(SPECTRA, False, lab=lab, xyz=xyz_of(SPECTRA)[::-1])
    yield "XYZ, a and b exchanged", Readings(SPECTRA, False, lab=swapped(lab), xyz=xyz_of(SPECTRA))
    yield "XYZ for D65", Readings(SPECTRA, False, lab=lab, xyz=xyz_of(SPECTRA, "D65"))
    yield "XYZ off the spectra", replace(two, xyz=xyz_of(SPECTRA)[::-1])
    yield "a of 272", replace(two, with_spectra=False, lab=_off_axes(lab, 1, 272))
    yield "b of -272", replace(two, with_spectra=False, lab=_off_axes(lab, 2, -272))
    yield "no such colour", replace(two, with_spectra=False, lab=_off_axes(lab, 1, 145))
    yield "L of 120", replace(two, with_spectra=False, lab=_off_axes(lab, 0, 120))
    yield "L below 0", replace(two, with_spectra=False, lab=_off_axes(lab, 0, -3))
    xyz = xyz_of(SPECTRA)
    yield "XYZ of no surface", Readings(SPECTRA, False, xyz=_off_axes(xyz, 0, 149))
    yield "XYZ negative", Readings(SPECTRA, False, xyz=_off_axes(xyz, 1, -4))
    yield "XYZ up to 1", Readings(SPECTRA, False, xyz=xyz / 100)
    yield "Lab as fractions", replace(two, with_spectra=False, lab=lab / 100)
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
                one = replace(both(DARK), scale=100)
                cases[f"{kind}: {fault}"] = Case(write(one), true_lab=one.true_lab)
                continue
            cases[f"{kind}: {fault}"] = Case(write(one))
        for said, scale in (("fraction", 100), ("percent", 1)):
            content = write(Readings(SPECTRA, scale=scale))
            cases[f"{kind}: said to be in {said}"] = Case(content, options={"reflectance": said})

    def declared(kinds: tuple[str, ...], ways: tuple[tuple[str, str], ...], one: Readings,
                 **more: object) -> None:  # fmt: skip
        for kind in kinds:
            for way in ways:
                case = Case(WRITERS[kind](replace(one, declared=(way,))), **more)  # type: ignore[arg-type]
                cases[f"{kind}: {way[0]} {way[1]}, {'spectra' if one.with_spectra else 'Lab'}"] = (
                    case
                )

    plain = Readings(SPECTRA)
    for ways in (keywords, columns):
        kinds = tuple(ways.WRITERS)
        declared(kinds, ways.LIGHTS, lab_only(SPECTRA, "D65"))
        declared(kinds, ways.OBSERVERS, lab_only(SPECTRA, "D50", "10"))
        declared(kinds, ways.FILTERS, plain, options=asked)
        declared(kinds, ways.NO_PRINTS, plain)
        declared(kinds, ways.GLOSS, plain)
    for name, spec in cxf.LIGHTS.items():
        cases[f"cxf: {name}, Lab"] = Case(cxf_file(replace(lab_only(SPECTRA, "D65"), spec=spec)))
    for name, spec in cxf.FILTERS.items():
        word = "tells none of M0 to M3" if "its own" in name else None
        cases[f"cxf: {name}"] = Case(cxf_file(replace(plain, spec=spec)), word=word, options=asked)
    for name, spec in (cxf.NO_PRINT | cxf.GLOSS).items():
        cases[f"cxf: {name}"] = Case(cxf_file(replace(plain, spec=spec)))
    content = cxf_file(Readings(DARK, scale=100))  # whose values are fractions by its schema
    cases["cxf: black in percent"] = Case(content, word="--reflectance percent")
    bright, as_fractions = Readings(SPECTRA, scale=100), both(SPECTRA)
    for name, parts in {
        "tables on two scales": (bright, Readings(SPECTRA)),
        "tables on two scales, a black first": (Readings(DARK), bright),
        "tables on two scales, Lab in one": (bright, as_fractions),
        "tables, a black in percent alone": (Readings(DARK, scale=100), lab_only(SPECTRA)),
    }.items():
        cases[f"cgats: {name}"] = Case(in_tables(*parts))
    return cases | _files_of_no_prints() | wrong_dress()


def _files_of_no_prints() -> dict[str, Case]:
    chart = text(lab_only(SPECTRA)).decode()
    cases = {
        f"cgats: {first}": Case(chart.replace("CGATS.17", first, 1).encode())
        for first in ("CTI1", "CTI2", "IT8.7/1", "IT8.7/2", "CCMX", "CCSS", "CAL")
    }
    mixed = comma(both(SPECTRA)).decode()
    lines = mixed.split("\n")
    lines[2] = lines[2].replace(",", ".", 1)
    cases["csv_comma: one point"] = Case("\n".join(lines).encode())
    rows = ["sample;L;a;b", "A;25,5;1.250;3,5", "B;40,5;2,5;3,5"]
    cases["csv_comma: 1.250 beside 25,5"] = Case("\n".join(rows).encode())
    spectrum = cxf_file(Readings(SPECTRA)).decode()
    for other in ("Transmittance", "Emissive"):
        swapped = spectrum.replace("ReflectanceSpectrum", f"{other}Spectrum")
        cases[f"cxf: {other}Spectrum"] = Case(swapped.encode())
    return cases


def _as_known(L: float, names: list[str]) -> np.ndarray:
    return np.full(len(names), L)


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
        "black in percent with Lab": replace(both(DARK), scale=100),
        "white in fractions with Lab": both(PALE),
        "white in percent": Readings(PALE, scale=100),
        "fluorescent with Lab": both(FLUORESCENT),
        "fluorescent": Readings(np.vstack([SPECTRA, FLUORESCENT])),
        "Lab, XYZ and spectra": replace(both(SPECTRA), xyz=xyz_of(SPECTRA)),
        "Lab alone": lab_only(SPECTRA),
        "XYZ alone": Readings(SPECTRA, False, xyz=xyz_of(SPECTRA)),
        "dark XYZ alone": Readings(everything, False, xyz=xyz_of(everything)),
    }
    for kind, write in WRITERS.items():
        for name, one in fine.items():
            cases[f"{kind}: {name}"] = Case(write(one), one.true_lab)
    black, white = Readings(DARK, scale=100), Readings(PALE)
    for kind, write in WRITERS.items():
        for name, one, scale in (("black", black, "percent"), ("white", white, "fraction")):
            told = {"reflectance": scale}
            cases[f"{kind}: {name}, said to be in {scale}"] = Case(
                write(one), one.true_lab, options=told
            )
            told = {"expected_L": partial(_as_known, 30.0 if one is black else 75.0)}
            cases[f"{kind}: {name} as known"] = Case(write(one), one.true_lab, options=told)
    cases["cxf: white in fractions"] = Case(cxf_file(white), white.true_lab)
    bright = Readings(SPECTRA, scale=100)
    for name, parts in {
        "tables, a black first": (black, bright),
        "tables, a black last": (bright, black),
        "tables in fractions, a white first": (white, Readings(SPECTRA)),
        "tables in fractions, a white last": (Readings(SPECTRA), white),
        "tables, a black beside Lab and spectra": (black, replace(both(SPECTRA), scale=100)),
    }.items():
        true = np.vstack([one.true_lab for one in parts])
        cases[f"cgats: {name}"] = Case(in_tables(*parts), true)
    light = both(SPECTRA, "D65", "10")
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
                content = WRITERS[kind](replace(both(SPECTRA), declared=((key, value),)))
                cases[f"{kind}: {key} {value}"] = Case(content, lab_of(SPECTRA))
    unknown = replace(light, spec=cxf.LIGHTS["custom"])
    cases["cxf: spectra beside Lab for a light of its own"] = Case(
        cxf_file(unknown), light.true_lab
    )
    return cases | right_dress()


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
