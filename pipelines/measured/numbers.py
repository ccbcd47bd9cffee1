"""Numbers as the file writes them: point or comma is decided once for the whole table."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from pipelines.cells import shown
from pipelines.measured.block import Block, refuse, with_others

# ASCII digits only: neither "nan" nor "1_000" nor a thousands mark is a number here.
_POINT = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_COMMA = r"[+-]?(?:[0-9]+,[0-9]+|,[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_MINUS = "\N{MINUS SIGN}"  # which some programs write for the hyphen

_MONTHS = "jan|feb|mrz|mar|mär|apr|may|mai|jun|jul|aug|sep|okt|oct|nov|dez|dec|fev|avr|ago|out"
_DATE = re.compile(
    rf"(?:[0-9]{{1,2}}[.\s/-]+)?(?:{_MONTHS})[a-zû]*\.?(?:[.\s/-]+[0-9]{{1,4}})?"
    r"|[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ][0-9:.]+)?|[0-9]{1,2}([./-])[0-9]{1,2}\1[0-9]{2,4}",
    re.IGNORECASE,
)
_ROUNDED = re.compile(r"[0-9](?:[.,][0-9]+)?E[+-]?[0-9]{2}")


def looks_like_a_date(cell: str) -> bool:
    """Whether a spreadsheet may have made this of something else: 3-Apr, Apr 03, 2026-04-03."""
    return any(mark.isdigit() for mark in cell) and bool(_DATE.fullmatch(cell.strip()))


def looks_rounded(cell: str) -> bool:
    """Whether a spreadsheet has cut a long number short: 1.23E+14."""
    return bool(_ROUNDED.fullmatch(cell.strip()))


def to_numbers(
    block: Block, columns: list[str], file: str, said: list[str]
) -> dict[str, np.ndarray]:
    """The columns as float (n,), NaN where a cell is empty.

    Raises UserError at the first cell that is no finite number, or when decimal points and
    decimal commas stand side by side.
    """
    text = block.cells[columns].apply(lambda c: c.str.strip().str.replace(_MINUS, "-"))
    if text.empty:
        return {name: np.full(len(text), np.nan) for name in columns}
    comma = text.apply(lambda c: c.str.fullmatch(_COMMA).astype(bool))
    point = text.apply(lambda c: c.str.fullmatch(_POINT).astype(bool))
    with_point = point & text.apply(lambda c: c.str.contains(".", regex=False).astype(bool))
    if comma.to_numpy().any():
        if with_point.to_numpy().any():
            (row, name), (row2, name2) = _first(comma), _first(with_point)
            what = (
                f"{shown(text[name].iloc[row])} has a decimal comma, but "
                f"{shown(text[name2].iloc[row2])} in {block.where[row2]} a decimal point"
            )
            refuse(file, what, "write all numbers alike", where=block.where[row], column=name)
        text = text.where(~comma, text.apply(lambda c: c.str.replace(",", ".")))
        if (said_it := "Decimal commas read as decimal points.") not in said:
            said.append(said_it)
    readable = comma | point
    wrong = ~readable & (text != "")
    if wrong.to_numpy().any():
        row, name = _first(wrong)
        cell = text[name].iloc[row]
        what, do = f"{shown(cell)} is not a number", "measure again or correct the cell"
        if looks_like_a_date(cell):
            what = f"{shown(cell)} is a date where a number belongs"
            do = "the spreadsheet has changed it: export again, or read the instrument's own file"
        what = with_others(what, int(wrong.any(axis=1).sum()))
        refuse(file, what, do, where=block.where[row], column=name)
    numbers = text.where(readable).apply(pd.to_numeric, errors="coerce").astype(float)
    endless = pd.DataFrame(np.isinf(numbers.to_numpy()), columns=columns)
    if endless.to_numpy().any():
        row, name = _first(endless)
        what = f"{shown(text[name].iloc[row])} is too large for a number"
        refuse(file, what, "correct the cell", where=block.where[row], column=name)
    return {name: numbers[name].to_numpy() for name in columns}


def _first(where: pd.DataFrame) -> tuple[int, str]:
    """Row (position) and column of the first True."""
    row, column = np.argwhere(where.to_numpy())[0]
    return int(row), where.columns[column]
