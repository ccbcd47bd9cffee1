"""Sheets as programs and people dress them: heads with lights, titles, units, signs, statistics."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from tests.measured.documents import NM, SPECTRA, cgats, workbook
from tests.measured.wrong.readings import DARK, Case, lab_of

LAB50, LAB65 = lab_of(SPECTRA), lab_of(SPECTRA, "D65", "10")
NAMES = [f"P{i + 1}" for i in range(len(SPECTRA))]
Columns = dict[str, list[object]]


def _sheet(columns: Columns, sep: str = ",", above: Iterable[str] = ()) -> bytes:
    lines = [list(columns), *zip(*columns.values(), strict=True)]
    return "\n".join([*above, *(sep.join(map(str, line)) for line in lines), ""]).encode()


def _lab(values: np.ndarray, *heads: str) -> Columns:
    return {
        head: values[:, i].round(3).tolist() for i, head in enumerate(heads or ("L*", "a*", "b*"))
    }


def _named(columns: Columns, names: list[str] = NAMES) -> Columns:
    return {"Sample": list(names), **columns}


def _bands(head: str, spectra: np.ndarray = SPECTRA, scale: float = 1, sign: str = "") -> Columns:
    return {
        head.format(nm): [f"{value * scale:.5g}{sign}" for value in spectra[:, i]]
        for i, nm in enumerate(NM)
    }


def _heads(light: str) -> tuple[str, str, str]:
    return f"L*{light}", f"a*{light}", f"b*{light}"


def wrong_dress() -> dict[str, Case]:
    """Wrong ones."""
    dark = [f"P{i + 1}" for i in range(len(DARK))]
    hunter = _lab(LAB50 * [1, 0.9, 0.9])
    units = _sheet(_named(_lab(LAB50))).replace(b"\n", b"\nname,%,%,%\n", 1)
    sheets = {
        "Lab under D65/10 in its heads": _named(_lab(LAB65, *_heads("(D65/10°)"))),
        "Lab under two other lights": _named(
            _lab(LAB65, *_heads("(D65/10)")) | _lab(LAB65, *_heads("(A/10)"))
        ),
        "Lab with its gloss in its heads": _named(_lab(LAB50, *_heads(" SCI"))),
        "mode SCI": _named({"Mode": ["SCI"] * 4} | _lab(LAB50)),
        "a white base of paper": _named({"White base": ["Paper"] * 4} | _lab(LAB50)),
        "colours of Hunter's space": _named({"Colour space": ["Hunter Lab"] * 4} | hunter),
        "differences": _named(_lab(LAB50 - LAB50[0], "dL*", "da*", "db*")),
        "transmittance in its heads": _named(_bands("%T {} nm", scale=100)),
        "K/S": _named(_bands("{} nm", (1 - SPECTRA) ** 2 / 2 / SPECTRA)),
        "densities": _named(_bands("{} nm", -np.log10(SPECTRA))),
        "signs of percent in one band": _named(
            _bands("{} nm") | {"500 nm": [f"{v:.2f}%" for v in 100 * SPECTRA[:, 12]]}
        ),
        "a black in percent, not said": _named(_bands("R {}", DARK, 100), dark),
        "two tables side by side": _named(_lab(LAB50))
        | {f"{head} ": column for head, column in _lab(LAB65).items()},
        "hue and chroma for a and b": _named(
            _lab(np.c_[LAB50[:, 0], np.hypot(*LAB50[:, 1:].T),
                       np.degrees(np.arctan2(LAB50[:, 2], LAB50[:, 1])) % 360])
        ),
    }  # fmt: skip
    cases = {f"csv: {name}": Case(_sheet(columns)) for name, columns in sheets.items()}
    again = _sheet(_named(_lab(LAB50)))
    cases["csv: the header once more, another table under it"] = Case(
        again + _sheet(_named(_lab(LAB65, "a*", "L*", "b*")))
    )
    cases["csv: Lab in percent"] = Case(units.replace(b"name,", b"x,"))
    pages = {
        "formulas without their values": {"Sample": NAMES, "L*": [None] * 4}
        | _lab(LAB50[:, 1:], "a*", "b*"),
        "an error in a cell": _named(_lab(LAB50)) | {"L*": [50, "#DIV/0!", 40, 30]},
    }
    cases |= {f"xlsx: {name}": Case(workbook(columns)) for name, columns in pages.items()}
    for kind, geometry in {"0/180": "0/180", "transmission": "d/0 transmission"}.items():
        cases[f"cgats: geometry {kind}"] = Case(
            cgats(_named(_bands("SPECTRAL_NM{}")), f'MEASUREMENT_GEOMETRY "{geometry}"').encode()
        )
    source = 'MEASUREMENT_SOURCE "Illumination=D50 ObserverAngle=2 WhiteBase=Pap Filter=No"'
    of_lab = {"SAMPLE_NAME": NAMES} | _lab(LAB50, "LAB_L", "LAB_A", "LAB_B")
    cases["cgats: against paper"] = Case(cgats(of_lab, source).encode())
    devices = {f"CMYK_{ink}": [10, 20, 30, 40] for ink in "CMYK"}
    cases["cgats: patches of a chart"] = Case(
        cgats(of_lab | devices).encode(), word="patches of a chart"
    )
    eight_bits = _lab(LAB50 * [2.55, 1, 1] + [0, 128, 128], "LAB_L", "LAB_A", "LAB_B")
    cases["cgats: Lab in eight bits"] = Case(cgats({"SAMPLE_NAME": NAMES} | eight_bits).encode())
    return cases


def right_dress() -> dict[str, Case]:
    """Right ones."""
    plain, percent = _named(_lab(LAB50)), _bands("{} nm", scale=100)
    glossy = _lab(LAB50 + np.array([3, 0, 0]), *_heads("(SCI)"))
    turned = [["", *NAMES], *([head, *column] for head, column in _lab(LAB50).items())]
    nm = [
        ["Wavelength", *NAMES],
        *([n, *row] for n, row in zip(NM, SPECTRA.T.round(5), strict=True)),
    ]
    minus = {k: [str(v).replace("-", "\N{EN DASH}") for v in c] for k, c in plain.items()}
    fine = {
        f"csv: percent as {head}": _named(_bands(head, scale=100))
        for head in ("{} nm [%]", "R{} (%)", "%R {}nm", "R% {}")
    }
    by_nm = {str(n): [f"{np.interp(n, NM, s):.5f}" for s in SPECTRA] for n in range(400, 701)}
    fine |= {
        "csv: a black in percent, said in its heads": _named(
            _bands("%R {} nm", DARK, 100), ["P1", "P2"]
        ),
        "csv: signs of percent in cells": _named(_bands("{} nm", scale=100, sign=" %")),
        "csv: every nm": _named(by_nm),
        "csv: light in its heads": _named(_lab(LAB50, *_heads("(D50/2°)"))),
        "csv: light behind the axis": _named(_lab(LAB50, *_heads(" D50"))),
        "csv: two lights": _named(
            _lab(LAB65, *_heads("(D65/10)")) | _lab(LAB50, *_heads("(D50/2)"))
        ),
        "csv: with and without gloss": _named(glossy | _lab(LAB50, *_heads("(SCE)"))),
        "csv: L, A, B": _named(_lab(LAB50, "L", "A", "B")),
        "csv: l, a, b": _named(_lab(LAB50, "l", "a", "b")),
        "csv: patches": {"Patch": NAMES, **_lab(LAB50)},
        "csv: differences beside": plain | {"dL*": [1, 2, 3, 4], "dE00": [1, 2, 3, 4]},
        "csv: another dash for minus": minus,
        "csv: mode M1": _named({"Mode": ["M1"] * 4} | _lab(LAB50)),
        "csv: CIE L*a*b* said": _named({"Colour space": ["CIE L*a*b*"] * 4} | _lab(LAB50)),
    }
    mean = {
        name: [*column, "Mean" if name == "Sample" else column[0]] for name, column in plain.items()
    }
    standard = {name: [column[0], *column] for name, column in plain.items()}
    standard = {"Type": ["Standard", *["Trial"] * 4]} | standard | {"Sample": ["master", *NAMES]}
    files = {name: _sheet(columns) for name, columns in fine.items()} | {
        "csv: under a title": _sheet(plain, above=["Colours of the day", "measured at noon", ""]),
        "csv: under a title, semicolons": _sheet(plain, ";", ["Colours of the day", ""]),
        "csv: sep=": _sheet(plain, ";", ["sep=;"]),
        "csv: in UTF-16": _sheet(plain, "\t").decode().encode("utf-16"),
        "csv: over units": _sheet(_named(percent)).replace(
            b"\n", b"\n-" + b",%" * len(NM) + b"\n", 1
        ),
        "csv: above statistics": _sheet(mean),
        "csv: a standard beside trials": _sheet(standard),
        "csv: side by side, Lab": "\n".join(",".join(map(str, row)) for row in turned).encode(),
        "csv: side by side, spectra": "\n".join(",".join(map(str, row)) for row in nm).encode(),
        "xlsx: under a title": workbook({"Colours": ["", "Sample", *NAMES]} | {
            f"{i}": ["", head, *column] for i, (head, column) in enumerate(_lab(LAB50).items())
        }),
    }  # fmt: skip
    small = cgats({"SAMPLE_NAME": NAMES} | _lab(LAB50, "LAB_L", "LAB_A", "LAB_B"))
    for word in ("BEGIN_DATA", "END_DATA", "NUMBER_OF_SETS"):
        small = small.replace(word, word.lower()).replace(
            f"{word.lower()}_FORMAT", f"{word.lower()}_format"
        )
    files["cgats: small keywords"] = small.encode()
    true = {name: LAB50 for name in files}
    true["csv: a black in percent, said in its heads"] = lab_of(DARK)
    return {name: Case(content, true[name]) for name, content in files.items()}
