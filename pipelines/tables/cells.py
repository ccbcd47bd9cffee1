"""From text cells to typed columns; what cannot be read is told cell by cell."""

from __future__ import annotations

import re
from datetime import date
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.tables.dates import EARLIEST, last_day
from pipelines.tables.schema import GRACE_DAYS, LAB, Column, Table
from pipelines.tables.spectra import (
    SPECTRUM,
    colour_faults,
    gap_in,
    is_fraction,
    resample,
    wavelengths_in,
)
from pipelines.workspace.problems import Kind, Problem

# ASCII digits only: neither "nan" nor "1_000" nor a thousands mark is a number here.
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_MINUS = "\N{MINUS SIGN}"  # which some programs write for the hyphen
DECIMAL_COMMA = rf"[+\-{_MINUS}]?[0-9]+,[0-9]+(?:[eE][+-]?[0-9]{{1,3}})?"
_BREAKS = re.compile(r"[ ]*[\x00-\x1f\x7f-\x9f\u2028\u2029]+[ ]*")
_ISO_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]+)?)?)?"

# So many tables that were typed lately are kept, none larger than two thousand prints: 100 MB.
LATELY, LARGE_CELLS = 16, 100_000

# Instruments give tiny negatives on black by their own noise (common practice, no source).
_REFLECTANCE_LOW = -0.01


def typed(
    table: Table, given: pd.DataFrame, file: str, today: date
) -> tuple[pd.DataFrame, list[Problem]]:
    """Typed frame of all the table's columns (absent ones: not known), and what is wrong.

    The index stays the spreadsheet row. Identifiers and texts are str or None, numbers float64
    or NaN, dates datetime64 or NaT; a colour table ends with r400 ... r700, L, a, b.
    """
    if given.size > LARGE_CELLS:
        return _typed(table, given, file, today)
    frame, problems = _typed_lately(table, Same(given), file, today)
    return frame.copy(), [*problems]


class Same:
    """Text cells that are equal where every cell, row and column is."""

    def __init__(self, given: pd.DataFrame) -> None:
        self.given = given
        cells = given.to_numpy(object).ravel().tolist()
        self.told = (*given.columns, None, *given.index, None, *cells)

    def __hash__(self) -> int:
        return hash(self.told)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Same) and self.told == other.told


@lru_cache(maxsize=LATELY)
def _typed_lately(
    table: Table, same: Same, file: str, today: date
) -> tuple[pd.DataFrame, tuple[Problem, ...]]:
    """What comes in is checked beside all tables of the shop, several times on its way."""
    frame, problems = _typed(table, same.given, file, today)
    return frame, tuple(problems)


def _typed(
    table: Table, given: pd.DataFrame, file: str, today: date
) -> tuple[pd.DataFrame, list[Problem]]:
    stripped = {name: list(map(str.strip, given[name])) for name in given.columns}
    text = pd.DataFrame(stripped, given.index, dtype=object)
    empty = pd.Series("", index=given.index, dtype=object)
    problems: list[Problem] = []
    columns: dict[str, pd.Series] = {}
    for column in table.columns:
        cells = text.get(column.name, empty)
        told_at_header = column.name not in text and column.or_else not in text
        if column.filled and not told_at_header:
            bare = (cells == "") & (text.get(column.or_else, empty) == "")
            problems += _flag(file, column.name, cells, bare, "is empty", column.do, Kind.MISSING)
        columns[column.name] = _read(column, cells, file, problems, today)
    if table.colour:
        columns |= _read_colour(text, empty, file, problems, today)
    frame = pd.DataFrame(columns, index=given.index)
    return frame, sorted(problems, key=lambda problem: problem.row or 0)


def shown(cell: str) -> str:
    """A cell as a message quotes it: on one line, not too long."""
    line = " ".join(cell.split())
    return f'"{line[:40]}..."' if len(line) > 40 else f'"{line}"'


def _flag(
    file: str,
    column: str | None,
    cells: pd.Series,
    wrong: pd.Series | NDArray[np.bool_],
    what: str,
    do: str,
    kind: Kind,
) -> list[Problem]:
    if not wrong.any():
        return []
    return [
        Problem(file, int(row), column, what.format(cell=shown(cell)), do, kind)
        for row, cell in cells[wrong].items()
    ]


def _read(
    column: Column, cells: pd.Series, file: str, problems: list[Problem], today: date
) -> pd.Series:
    if not any(cells):
        return _nothing(column, cells.index)
    match column.kind:
        case "text":
            # A name broken over the lines of a cell is one name.
            plain = [_BREAKS.sub(" ", cell) or None for cell in cells]
            return pd.Series(plain, cells.index, dtype=object)
        case "choice":
            return _read_choice(column, cells, file, problems)
        case "date":
            return _read_date(column, cells, file, problems, today)
        case "film":
            bucket = cells.str.lower() == "bucket"
            films = _read_number(column, cells.mask(bucket, ""), file, problems)
            return films.mask(bucket, np.inf)
        case _:
            return _read_number(column, cells, file, problems)


def _nothing(column: Column, index: pd.Index) -> pd.Series:
    """The column where every cell is empty."""
    match column.kind:
        case "text" | "choice":
            return pd.Series([None] * len(index), index, dtype=object)  # None alone gives NaN
        case "date":
            return pd.Series(pd.NaT, index, dtype="datetime64[ns]")
        case _:
            return pd.Series(np.nan, index)


def _read_number(column: Column, cells: pd.Series, file: str, problems: list[Problem]) -> pd.Series:
    numbers, unreadable = _numbers(cells)
    do = f"write a number with a decimal point{'' if column.filled else ', or leave it out'}"
    if column.kind == "whole" and column.do:
        do = column.do
    if unreadable.any():
        comma = cells.str.fullmatch(DECIMAL_COMMA).to_numpy(bool)
        what = "{cell} has a decimal comma in a comma-separated file"
        problems += _flag(file, column.name, cells, unreadable & comma, what, do, Kind.UNREADABLE)
        what = "{cell} is not a number"
        problems += _flag(file, column.name, cells, unreadable & ~comma, what, do, Kind.UNREADABLE)
    if column.kind == "whole":
        whole = np.isfinite(numbers) & (np.floor(numbers) == numbers)
        broken = ~np.isnan(numbers) & ~whole
        what = "{cell} is not a whole number"
        problems += _flag(file, column.name, cells, broken, what, column.do, Kind.UNREADABLE)
        numbers[broken] = np.nan
    low = -np.inf if column.low is None else column.low
    high = np.inf if column.high is None else column.high
    outside = (numbers < low) | (numbers > high)
    what = f"{{cell}} is outside {low:g} to {high:g}"
    problems += _flag(file, column.name, cells, outside, what, column.do, Kind.OUT_OF_RANGE)
    numbers[outside] = np.nan
    return pd.Series(numbers, cells.index)


def _numbers(cells: pd.Series) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """The numbers that cells hold, NaN for any other; and which hold something else, (n,) each."""
    plain = [cell.replace(_MINUS, "-") for cell in cells]
    readable = np.array([_NUMBER.fullmatch(cell) is not None for cell in plain], bool)
    numbers = pd.to_numeric(pd.Series(plain, dtype=object).where(readable), errors="coerce")
    return numbers.to_numpy(float, copy=True), ~readable & (cells != "").to_numpy()


def _read_choice(column: Column, cells: pd.Series, file: str, problems: list[Problem]) -> pd.Series:
    choices = {choice.replace("_", ""): choice for choice in column.choices} | dict(column.also)
    plain = cells.str.lower().str.replace(r"[\s_-]+", "", regex=True)
    plain = plain.replace("color", "colour").map(choices).astype(object)
    known = plain.notna()
    what = "{cell} is none of " + ", ".join(column.choices)
    do = f"write one of them{'' if column.filled else ', or leave it out'}"
    problems += _flag(file, column.name, cells, (cells != "") & ~known, what, do, Kind.UNREADABLE)
    return plain.where(known, None)


def _read_date(
    column: Column, cells: pd.Series, file: str, problems: list[Problem], today: date
) -> pd.Series:
    readable = cells.str.fullmatch(_ISO_DATE).astype(bool)
    dates = pd.to_datetime(cells.where(readable), format="ISO8601", errors="coerce")
    do = "write it as 2026-03-31"
    what = "{cell} is not a date"
    problems += _flag(
        file, column.name, cells, (cells != "") & dates.isna(), what, do, Kind.UNREADABLE
    )
    late = dates >= last_day(today, column.days_ahead + 1)  # at any hour of the last
    to_come = late & (column.days_ahead == GRACE_DAYS)
    outside = (late & ~to_come) | (dates < EARLIEST)
    what, do = "{cell} is not a date a print can have", "check the year"
    problems += _flag(file, column.name, cells, outside, what, do, Kind.OUT_OF_RANGE)
    what = "{cell} is not a date a print can have: it is measured, and that day is still to come"
    do = "correct the day"
    problems += _flag(file, column.name, cells, to_come, what, do, Kind.OUT_OF_RANGE)
    return dates.mask(outside | to_come).astype("datetime64[ns]")


def _read_colour(
    text: pd.DataFrame, empty: pd.Series, file: str, problems: list[Problem], today: date
) -> dict[str, pd.Series]:
    """Spectrum and Lab of each row; a row must have at least one of them, whole."""
    lab_cells = {column.name: text.get(column.name, empty) for column in LAB}
    lab = {c.name: _read(c, lab_cells[c.name], file, problems, today) for c in LAB}
    filled = pd.DataFrame(lab_cells) != ""
    part = filled.any(axis=1) & ~filled.all(axis=1)
    what = "one of L, a, b is filled and another is empty"
    if not colour_faults(text.columns):  # those were told once, at the header
        problems += _flag(file, None, empty, part, what, "fill in all three or none", Kind.MISSING)

    spectra, has_spectrum = _read_spectra(text, empty, file, problems)
    bare = ~has_spectrum & ~filled.any(axis=1)
    if not colour_faults(text.columns):
        do = "give L, a, b or a spectrum, or drop the row"
        problems += _flag(file, None, empty, bare, "has no colour", do, Kind.MISSING)
    return spectra | lab


def _read_spectra(
    text: pd.DataFrame, empty: pd.Series, file: str, problems: list[Problem]
) -> tuple[dict[str, pd.Series], pd.Series]:
    wavelengths = wavelengths_in(text.columns)
    nothing = pd.Series(False, index=text.index)
    if gap_in(wavelengths):  # told once, at the header
        return dict.fromkeys(SPECTRUM, empty.map(lambda _: np.nan).astype(float)), nothing
    names = [f"r{nm}" for nm in wavelengths]
    cells = text[names]
    filled = (cells != "").any(axis=1)
    if not filled.any():
        return {name: pd.Series(np.nan, index=text.index) for name in SPECTRUM}, nothing
    values, faulty = _numbers(pd.Series(cells.to_numpy().ravel(), dtype=object))
    unreadable = pd.DataFrame(faulty.reshape(cells.shape), cells.index, names)
    numbers = pd.DataFrame(values.reshape(cells.shape), cells.index, names)

    # One finding a row: a shifted or wrongly scaled spectrum is one mistake, not 31.
    percent = filled & numbers.notna().any(axis=1) & ~is_fraction(numbers.fillna(0.0).to_numpy())
    negative = numbers.lt(_REFLECTANCE_LOW)
    resampled = _resampled(wavelengths, numbers.to_numpy())
    holes = filled & pd.Series(np.isnan(resampled).any(axis=1), index=text.index)
    holes &= ~unreadable.any(axis=1)
    for row, name in unreadable.loc[unreadable.any(axis=1)].idxmax(axis=1).items():
        what = f"{shown(cells.loc[row, name])} is not a number"
        problems.append(
            Problem(
                file, int(row), name, what, "write a reflectance factor, 0 to 1", Kind.UNREADABLE
            )
        )
    if percent.sum() * 2 > filled.sum() > 0:
        row, most = int(numbers.max(axis=1).idxmax()), numbers.max().max()
        what = f"the spectra go up to {most:g} and look like percent"
        do = "divide them by 100: a reflectance factor lies in 0 to 1"
        problems.append(Problem(file, None, f"{names[0]} to {names[-1]}", what, do, Kind.UNIT))
    else:
        for row, name in numbers[percent].idxmax(axis=1).items():
            what = f"{shown(cells.loc[row, name])} is too high and looks like percent"
            do = "divide the row by 100: a reflectance factor lies in 0 to 1"
            problems.append(Problem(file, int(row), name, what, do, Kind.UNIT))
    for row, name in negative[negative.any(axis=1)].idxmax(axis=1).items():
        what = f"{shown(cells.loc[row, name])} is a negative reflectance"
        problems.append(
            Problem(
                file, int(row), name, what, "measure again or clear the spectrum", Kind.OUT_OF_RANGE
            )
        )
    for row, name in (cells[holes] == "").idxmax(axis=1).items():
        what = "is empty in a spectrum that is otherwise filled"
        problems.append(
            Problem(file, int(row), name, what, "fill the gap or clear the spectrum", Kind.MISSING)
        )

    resampled[(percent | negative.any(axis=1)).to_numpy()] = np.nan
    frame = pd.DataFrame(np.maximum(resampled, 0.0), index=text.index, columns=SPECTRUM)
    return {name: frame[name] for name in SPECTRUM}, filled


def _resampled(wavelengths: list[int], reflectance: np.ndarray) -> np.ndarray:
    """To 400 ... 700 nm, where the rows of one table may have been measured at several steps."""
    out = resample(wavelengths, reflectance)
    left = np.isnan(out).any(axis=1)
    filled = ~np.isnan(reflectance)
    for pattern in np.unique(filled[left], axis=0):
        own = [nm for nm, there in zip(wavelengths, pattern, strict=True) if there]
        if own and not gap_in(own):
            rows = left & (filled == pattern).all(axis=1)
            out[rows] = resample(own, reflectance[np.ix_(rows, pattern)])
    return out
