"""Which columns of a file are a table's own; what is told of those it lacks, or does not know."""

from __future__ import annotations

import re
from collections.abc import Mapping

import pandas as pd

from learn.shop import UNDERBASE, UNDERBASE_IDS
from pipelines.tables import lookalikes
from pipelines.tables.cells import DECIMAL_COMMA
from pipelines.tables.dates import iso_dates
from pipelines.tables.schema import Column, Table
from pipelines.tables.spectra import colour_faults, wavelength_nm
from pipelines.words.common import listed
from pipelines.workspace.problems import Findings, Kind, Problem

SHOWN = 12  # columns that are not known
# Of a drawdown of two inks: the other one and the share of the first, or of the other.
TINT, SECOND = ("mixed_with", "share_pct"), ("second_ink_id", "second_share_pct")


def known_columns(
    table: Table,
    cells: pd.DataFrame,
    delimiter: str,
    findings: Findings,
    file: str,
    header_row: int = 1,
) -> pd.DataFrame:
    """Keep the table's own columns, in the order given; tell of missing and unknown ones.

    Decimal commas of a semicolon (or tab) file, or of a workbook (delimiter ""), become points
    in the columns of numbers, and days become ISO dates where the column leaves no doubt; all
    other cells stay exactly as they are.
    """
    cells = _with_first_share(table, _with_no_flashes(table, cells))
    names = list(cells.columns)
    own = [n for n in names if table.column(n) or (table.colour and _is_colour(n))]
    lost = [c for c in table.columns if c.present and c.name not in own and c.or_else not in own]
    findings.problems += _missing(lost, names, file, header_row)
    if table.colour and "hex" not in own:  # which is a colour too
        for fault in colour_faults(own):
            findings.problem(file, header_row, *fault, Kind.MISSING)
    given = cells[own].copy()
    based = [name for name in UNDERBASE if name in own]
    if (given[based] != "").any(axis=None):
        for column in filter(None, map(table.column, UNDERBASE_IDS)):
            if column.name not in own:
                what = f"the column is missing beside {' and '.join(based)}"
                do = _rename_hint(column, names, "add it, empty where it is not known")
                findings.problem(file, header_row, column.name, what, do, Kind.MISSING)
    for column in table.columns:
        if column.kind == "date" and column.name in given:
            given[column.name] = iso_dates(given[column.name], column.name, file, findings)
    _tell_unknown(table, cells, own, findings, file)
    if delimiter != ",":
        _with_points(table, given, delimiter, findings, file)
    return given


def _with_points(
    table: Table, given: pd.DataFrame, delimiter: str, findings: Findings, file: str
) -> None:
    """Make decimal commas points in place; in a text file numbers with both are of two minds."""
    point: tuple[int, str] | None = None
    comma: tuple[int, str] | None = None
    for name in given.columns:
        if not _of_numbers(table, name):
            continue
        text = given[name].str.strip()
        commas = text.str.fullmatch(DECIMAL_COMMA).astype(bool)
        points = text.str.fullmatch(r"[+-]?[0-9]+\.[0-9]+").astype(bool)
        comma = comma or ((int(commas.idxmax()), name) if commas.any() else None)
        point = point or ((int(points.idxmax()), name) if points.any() else None)
        given.loc[commas, name] = given.loc[commas, name].str.replace(",", ".")
    if comma and point and delimiter:  # a workbook has its own numbers beside what was typed
        row, name = point
        other = given.loc[comma[0], comma[1]].strip().replace(".", ",")
        what = f'"{given.loc[row, name].strip()}" has a point, and "{other}" in row {comma[0]}, '
        what += f"column {findings.over(file, comma[1])}, a decimal comma"
        findings.problem(file, row, name, what, "write all numbers alike", Kind.AMBIGUOUS)


def _of_numbers(table: Table, name: str) -> bool:
    told = table.column(name)
    return _is_colour(name) or (told is not None and told.kind in ("number", "whole", "film"))


def pointed(table: Table, cells: Mapping[str, str]) -> dict[str, str]:
    """Cells of one row typed by hand, column -> text, decimal commas of numbers as points."""
    return {
        name: text.replace(",", ".")
        if _of_numbers(table, name) and re.fullmatch(rf"\s*{DECIMAL_COMMA}\s*", text)
        else text
        for name, text in cells.items()
    }


def _tell_unknown(
    table: Table, cells: pd.DataFrame, own: list[str], findings: Findings, file: str
) -> None:
    told = {problem.column for problem in findings.problems if problem.file == file}
    unknown = [name for name in cells.columns if name not in own]
    for name in filter(None, unknown):
        found = lookalikes.refused(table, cells, name, file)
        findings.problems += [p for p in found if p.meant not in told]
    named = [name or "(no name)" for name in unknown]
    named[SHOWN:] = [f"{len(named) - SHOWN} more"] if len(named) > SHOWN else []
    if len(unknown) > 1:
        findings.warn(f"{file}: columns {listed(named)} are not known and were kept out.")
    elif unknown:
        findings.warn(f"{file}: column {named[0]} is not known and was kept out.")


def _is_colour(name: str) -> bool:
    return name in ("L", "a", "b") or wavelength_nm(name) is not None


def _with_no_flashes(table: Table, cells: pd.DataFrame) -> pd.DataFrame:
    """Between single strokes nothing is flashed: such a table needs no column that says so."""
    if table.column("flash_count") is None or "flash_count" in cells or "strokes" not in cells:
        return cells
    single = len(cells) > 0 and cells["strokes"].str.strip().eq("1").all()
    return cells.assign(flash_count="") if single else cells


def _with_first_share(table: Table, cells: pd.DataFrame) -> pd.DataFrame:
    """Drawdowns of two inks that tell of the second how much of it there is: the share of the
    first is what is left. What is no number stays, to be told."""
    if table.name != "drawdowns" or not {*SECOND} & {*cells} or {*TINT} & {*cells}:
        return cells
    named = cells.rename(columns=dict(zip(SECOND, TINT, strict=True)))
    if TINT[1] in named:
        point = named[TINT[1]].str.strip().str.replace(",", ".").str.removesuffix("%")
        left = 100 - pd.to_numeric(point, errors="coerce")
        named[TINT[1]] = left.map("{:.10g}".format).where(left.notna(), named[TINT[1]])
    return named


def _missing(lost: list[Column], names: list[str], file: str, row: int) -> list[Problem]:
    """Columns that a header lacks, by themselves where another may be renamed, else together."""
    hints = {column.name: _rename_hint(column, names) for column in lost}
    alone = [name for name, hint in hints.items() if hint.startswith("rename")]
    others = [name for name in hints if name not in alone]
    alone += others if len(others) == 1 else []
    found = [
        Problem(file, row, name, "the column is missing", hints[name], Kind.MISSING)
        for name in alone
    ]
    if others[1:]:
        empty = [column.name for column in lost if column.name in others and not column.filled]
        what = f"the columns {listed(others)} are missing"
        do = f"add them{f', {listed(empty)} with empty cells where not known' if empty else ''}"
        found.append(Problem(file, row, None, what, do, Kind.MISSING))
    return found


def _rename_hint(column: Column, names: list[str], or_else: str | None = None) -> str:
    plain = column.name.casefold().replace("_", "")
    for name in names:
        # The same but for case, blanks and a missing "id".
        given = name.casefold().replace("_", "").replace(" ", "")
        if given and given in (plain, plain.removesuffix("id")):
            return f'rename "{name}" to {column.name}'
    if column.filled or or_else:
        return or_else or "add it"
    return "add it, with empty cells where it is not known"
