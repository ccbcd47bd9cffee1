"""Numbers as the file writes them: point or comma is decided once for the whole table."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from pipelines.measured.block import Block, refuse, with_others
from pipelines.tables.cells import shown

# ASCII digits only: neither "nan" nor "1_000" nor a thousands mark is a number here.
_POINT = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_COMMA = r"[+-]?(?:[0-9]+,[0-9]+|,[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_OTHER = re.compile(r"[^0-9.eE+\-\n]")
_MINUS = "^[\N{MINUS SIGN}\N{EN DASH}]"  # which some programs write for the hyphen

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
    cells = block.cells[columns].to_numpy(dtype=object)
    if not cells.size:
        return {name: np.full(len(cells), np.nan) for name in columns}
    plain = _plain_numbers(cells.ravel().tolist())
    if plain is not None:
        return dict(zip(columns, plain.reshape(cells.shape).T, strict=True))
    text = pd.Series(cells.ravel(), dtype=object).str.strip().str.replace(_MINUS, "-", regex=True)
    comma = text.str.fullmatch(_COMMA).to_numpy(bool)
    point = text.str.fullmatch(_POINT).to_numpy(bool)
    wrong = ~(comma | point) & (text != "").to_numpy()

    def place(at: int) -> dict[str, str]:
        return {"where": block.where[at // len(columns)], "column": columns[at % len(columns)]}

    if wrong.any():
        at = int(wrong.argmax())
        what, do = f"{shown(text[at])} is not a number", "measure again or correct the cell"
        if looks_like_a_date(text[at]):
            what = f"{shown(text[at])} is a date where a number belongs"
            do = "the spreadsheet has changed it: export again, or read the instrument's own file"
        rows = int(wrong.reshape(cells.shape).any(axis=1).sum())
        refuse(file, with_others(what, rows), do, **place(at))
    if comma.any():
        with_point = point & text.str.contains(".", regex=False).to_numpy(bool)
        if with_point.any():
            at, other = int(comma.argmax()), int(with_point.argmax())
            what = (
                f"{shown(text[at])} has a decimal comma, but {shown(text[other])} in "
                f"{place(other)['where']} a decimal point"
            )
            refuse(file, what, "write all numbers alike", **place(at))
        text = text.str.replace(",", ".")
        said.append("Decimal commas read as decimal points.")
    numbers = np.array([float(one or "nan") for one in text])
    if np.isinf(numbers).any():
        at = int(np.isinf(numbers).argmax())
        refuse(file, f"{shown(text[at])} is too large for a number", "correct it", **place(at))
    return dict(zip(columns, numbers.reshape(cells.shape).T, strict=True))


def _plain_numbers(cells: list[str]) -> np.ndarray | None:
    """The numbers of cells that are all plain ones or empty, as nearly all are; else None."""
    if _OTHER.search("\n".join(cells)):
        return None
    try:
        numbers = np.array([float(cell or "nan") for cell in cells])
    except ValueError:
        return None
    return None if np.isinf(numbers).any() else numbers
