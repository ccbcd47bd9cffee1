"""``[usual.dark]`` and its like in ``shop.toml``: how a shop usually prints, by garment."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import pandas as pd

from learn.process import SETTINGS
from learn.shop import UNDERBASE
from pipelines.tables.cells import typed
from pipelines.tables.names import Known, fault, found_in, table_of
from pipelines.tables.schema import SETUPS, Table
from pipelines.tables.settings import FILE
from pipelines.workspace.problems import Findings, Kind, Problem

DARK, LIGHT, ANY = "dark", "light", "any"
DARK_BELOW_L = 50.0  # of the bare garment; common practice, no source
KEYS = {
    "mesh": "mesh_id",
    "strokes": "strokes",
    "flashes": "flash_count",
    "base": UNDERBASE[0],
    "base_mesh": UNDERBASE[1],
    "base_strokes": UNDERBASE[2],
    "press": "press_id",
    **{s.option.removeprefix("--").replace("-", "_"): s.name for s in SETTINGS},
}
# What goes together: the first given anew, the others are no longer those of before.
TOGETHER = (("strokes", "flash_count"), tuple(UNDERBASE))


@dataclass(frozen=True)
class Preset:
    """One section: for which garments (`DARK`, `LIGHT`, `ANY` or an identifier), and its cells.

    ``cells``: column of a set-up -> text, identifiers for names; "" is none.
    """

    garments: str
    title: str
    cells: dict[str, str]


def read_presets(text: str | None, known: Known, findings: Findings) -> list[Preset]:
    """The sections ``[usual.X]`` of the text of ``shop.toml``, the general ones first.

    What is wrong goes into ``findings``, by section and key, and is left out.
    """
    try:
        sections = tomllib.loads(text or "").get("usual", {})
    except tomllib.TOMLDecodeError:
        return []  # told where the settings are read
    if not isinstance(sections, dict):
        sections = {"": sections}
    found = []
    for name, values in sections.items():
        garments = _garments(name, known, findings)
        if not isinstance(values, dict):
            do = "write a section [usual.dark] with keys such as mesh and strokes"
            findings.problem(FILE, None, f"usual.{name}", "is no section", do, Kind.UNREADABLE)
        elif garments is not None:
            cells = _cells(f"usual.{name}", values, known, findings)
            found.append(Preset(garments, f"[usual.{name}]", cells))
    order = {ANY: 0, DARK: 1, LIGHT: 1}
    return sorted(found, key=lambda preset: order.get(preset.garments, 2))


def preset_for(
    presets: list[Preset], garment: str, lightness: float
) -> tuple[dict[str, str], list[str]]:
    """What the presets say of one garment of this L*, a garment's own section last; and which."""
    side = DARK if lightness < DARK_BELOW_L else LIGHT
    cells: dict[str, str] = {}
    titles = []
    for preset in presets:
        if preset.garments in (ANY, side, garment):
            for first, *others in TOGETHER:
                if first in preset.cells:
                    cells = {c: v for c, v in cells.items() if c not in others}
            cells |= preset.cells
            titles.append(preset.title)
    return cells, titles


def _garments(name: str, known: Known, findings: Findings) -> str | None:
    if name.casefold() in (DARK, LIGHT, ANY):
        return name.casefold()
    if "substrates" not in known:
        return None
    found = found_in(name, known["substrates"], table="setups", column="substrate_id")
    if len(found) == 1:
        return found[0]
    problem = fault(name, known["substrates"], SETUPS, "substrate_id", FILE, 0)
    do = "write dark, light, any or a garment" if problem.kind == Kind.UNKNOWN else problem.do
    findings.problems.append(replace(problem, row=None, column=f"usual.{name}", do=do))
    return None


def _cells(
    section: str, values: Mapping[str, object], known: Known, findings: Findings
) -> dict[str, str]:
    cells: dict[str, str] = {}
    for key, value in values.items():
        place = f"{section}.{key}"
        if key not in KEYS:
            do = f"use one of {', '.join(KEYS)}"
            findings.problem(FILE, None, place, "is not known", do, Kind.UNKNOWN)
        elif isinstance(value, bool) or not isinstance(value, str | int | float):
            what, do = f"{value!r} is no text or number", "write one value"
            findings.problem(FILE, None, place, what, do, Kind.UNREADABLE)
        elif key == "base" and str(value).strip().casefold() in ("none", ""):
            cells |= dict.fromkeys(UNDERBASE, "")
        else:
            text, problems = _read(KEYS[key], f"{value}".strip(), known)
            findings.problems += [replace(p, row=None, column=place) for p in problems]
            cells |= {} if problems else {KEYS[key]: text}
    strokes, flashes = cells.get("strokes"), cells.get("flash_count")
    if strokes and flashes and float(flashes) > float(strokes) - 1:
        what = f"{flashes} flashes do not fit between {strokes} strokes"
        findings.problem(FILE, None, section, what, "at most strokes - 1", Kind.CONTRADICTION)
    return cells


def _read(column: str, text: str, known: Known) -> tuple[str, list[Problem]]:
    """A value as the cell of a set-up, and what is wrong with it."""
    names = known.get(table_of(column))
    if names is not None:
        found = found_in(text, names, table="setups", column=column)
        if len(found) == 1:
            return found[0], []
        return text, [fault(text, names, SETUPS, column, FILE, 0)]
    told = SETUPS.column(column)
    assert told is not None  # `KEYS` names columns of set-ups
    cell = pd.DataFrame({column: [text]}, dtype=object)
    return text, typed(Table("setups", (told,)), cell, FILE, date.today())[1]
