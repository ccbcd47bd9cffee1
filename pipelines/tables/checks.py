"""Checks that need more than one cell: keys, references, units, what a print can be."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd

from learn.physics.deposit import USUAL_SOLIDS_PCT
from pipelines.tables.cells import DECIMAL_COMMA
from pipelines.tables.names import CARD, Known, fault, on_garments
from pipelines.tables.schema import Table
from pipelines.words.common import counted
from pipelines.workspace.problems import Findings, Kind, Problem

ALIKE = 3  # cells of a column that fail alike are no slips from here on


def check_keys(table: Table, frame: pd.DataFrame, file: str, findings: Findings) -> None:
    """A key stands in one row only; a key described twice differently is a contradiction."""
    if table.key is None:
        return
    keys = frame[table.key].dropna()
    for row, key in keys[keys.duplicated()].items():
        first = keys.index[keys == key][0]
        one, other = frame.loc[first], frame.loc[row]
        differs = ~((one == other) | (one.isna() & other.isna()))
        what = f'"{key}" stands in row {first} already'
        if differs.any():
            what += f", with another {differs.index[differs][0]}"
        do = "keep one of the two, or call one otherwise"
        findings.problem(file, int(row), table.key, what, do, Kind.DUPLICATE)


def check_references(
    table: Table, frame: pd.DataFrame, known: Known, file: str, *, stored: bool = False
) -> list[Problem]:
    """Every identifier must be found in the table it refers to, and no card stand for a garment,
    unless the table was ``stored`` as it is.

    ``known`` holds what each table that could be read knows; others are not checked.
    """
    problems = []
    for column in table.columns:
        if column.refers_to is None or column.refers_to not in known:
            continue
        cells, there = frame[column.name], known[column.refers_to]
        if not there.complete:
            continue
        ids = cells.dropna().unique()
        lost = [one for one in ids if one not in there]
        if on_garments(table.name, column.name) and not stored:
            lost += [one for one in ids if one in there and there.noun(one) == CARD]
        for row, cell in cells[cells.isin(lost)].items() if lost else ():
            problems.append(fault(cell, there, table, column.name, file, int(row), known))
    return problems


def check_process(frame: pd.DataFrame, file: str) -> list[Problem]:
    """What no press can do: more flashes than gaps between strokes, half an underbase."""
    problems = []

    def flag(wrong: pd.Series, column: str, what: str, do: str) -> None:
        for row in frame.index[wrong]:
            problems.append(Problem(file, int(row), column, what, do, Kind.CONTRADICTION))

    strokes, flashes = frame["strokes"], frame["flash_count"]
    for row in frame.index[flashes > strokes - 1]:
        flashed = counted(flashes[row], "flash does", "flashes do")
        what = f"{flashed} not fit between {counted(strokes[row], 'stroke')}"
        do = "count the flashes between strokes of the top ink only: at most one fewer than strokes"
        problems.append(Problem(file, int(row), "flash_count", what, do, Kind.CONTRADICTION))

    base, mesh = frame["underbase_ink_id"].notna(), frame["underbase_mesh_id"].notna()
    what = "is empty although an underbase mesh or stroke count is given"
    do = "name the underbase ink, or clear the other two"
    flag(~base & (mesh | frame["underbase_strokes"].notna()), "underbase_ink_id", what, do)
    return problems


def assumed(frame: pd.DataFrame, file: str) -> list[str]:
    """Sentences on what is not known of some rows and so is taken as the usual thing."""
    flashes = int((frame["flash_count"].isna() & (frame["strokes"] > 1)).sum())
    based = frame["underbase_ink_id"].notna()
    mesh = int((frame["underbase_mesh_id"].isna() & based).sum())
    base = int((frame["underbase_strokes"].isna() & based).sum())
    told = []
    if flashes:
        rows = "row with several strokes has" if flashes == 1 else "rows with several strokes have"
        told.append(
            f"{file}: {flashes} {rows} no flash_count; taken as is usual here, though not surely."
        )
    if mesh:
        rows = "1 row has" if mesh == 1 else f"{mesh} rows have"
        told.append(
            f"{file}: {rows} a base and no underbase_mesh_id; taken as one of the meshes that "
            "bases go through here, though not surely."
        )
    if base:
        rows = "1 row has" if base == 1 else f"{base} rows have"
        told.append(
            f"{file}: {rows} no underbase_strokes; taken as bases are mostly printed here, though "
            "not surely."
        )
    return told


def assumed_solids(inks: pd.DataFrame, file: str) -> list[str]:
    """A sentence on inks that lose much in the dryer and say not how much."""
    open_ = inks["solids_vol_pct"].isna() & inks["ink_type"].isin(USUAL_SOLIDS_PCT.keys())
    if not open_.any():
        return []
    return [
        f"{file}: {counted(int(open_.sum()), 'water-based or discharge ink')} without "
        "solids_vol_pct; taken as the shop's other inks of that type have it, or as is usual."
    ]


def check_targets(frame: pd.DataFrame, file: str) -> list[Problem]:
    """A target colour is whole or absent."""
    filled = frame[["target_L", "target_a", "target_b"]].notna()
    part = filled.any(axis=1) & ~filled.all(axis=1)
    what, do = "one of target_L, target_a, target_b is missing", "fill in all three or none"
    return [Problem(file, int(row), None, what, do, Kind.MISSING) for row in frame.index[part]]


def one_reason(cells: pd.DataFrame, faults: list[Problem]) -> tuple[list[Problem], list[Problem]]:
    """What a whole column fails by - a way of writing, not a slip - as one problem; and the rest.

    ``cells``: the text the faults are about. From three cells on a column fails as a whole where
    all of them do for one kind of reason; by decimal commas where no other cell has a point.
    """
    columns = dict.fromkeys(f.column for f in faults if f.row is not None and f.column in cells)
    whole: dict[str, list[Problem]] = {}
    commas: dict[str, list[Problem]] = {}
    for name in filter(None, columns):
        own = [fault for fault in faults if fault.column == name and fault.row is not None]
        text = cells[name].str.strip()
        rows = {fault.row for fault in own}
        if all(_has_comma(text.get(row, "")) for row in rows):
            if not text.str.contains(".", regex=False).any():
                commas[name] = own
            continue
        kinds = {fault.kind for fault in own}
        wanted = len(text) if kinds == {Kind.MISSING} else int((text != "").sum())
        if len(kinds) == 1 and kinds != {Kind.DUPLICATE} and len(rows) >= max(wanted, ALIKE):
            whole[name] = own
    problems = [_said_once(own, name) for name, own in whole.items()]
    if commas:
        first = next(iter(commas.values()))[0]
        do = "write decimal points, or save the file as an Excel workbook or with semicolons"
        every = [replace(first, do=do), *(fault for own in commas.values() for fault in own)]
        problems.append(_said_once(every, ", ".join(commas)))
    gone = {id(fault) for own in [*whole.values(), *commas.values()] for fault in own}
    return problems, [fault for fault in faults if id(fault) not in gone]


def _has_comma(cell: str) -> bool:
    return re.fullmatch(DECIMAL_COMMA, cell) is not None


def _said_once(faults: list[Problem], column: str) -> Problem:
    first = faults[0]
    rows = len({fault.row for fault in faults})
    more = f", and {rows - 1} more row{'s' * (rows > 2)} alike" if rows > 1 else ""
    what = f"nothing in the column can be used (row {first.row}: {first.what}{more})"
    if ", " in column:
        what = what.replace("the column", "these columns")
    return Problem(first.file, None, column, what, first.do, first.kind, first.meant)
