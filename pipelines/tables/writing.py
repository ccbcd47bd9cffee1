"""Tables of text cells out again: as CSV, or as an Excel workbook where the name ends in .xlsx."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from pipelines.tables import csvfile
from pipelines.workspace.files import beside, write_text

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

# No leading nought and no more digits than Excel keeps: anything else is a name.
_NUMBER = re.compile(r"[+-]?(?:0|[1-9][0-9]{0,14})(?:\.([0-9]{1,12}))?")
_NAMES = ("_id", "_lot", "_name")  # columns whose cells stay text, whatever they look like


def is_excel(path: Path) -> bool:
    """Whether the name asks for an Excel workbook."""
    return path.suffix.lower() == ".xlsx"


def write_table(path: Path, frame: pd.DataFrame, title: str) -> None:
    """Write text cells, as a workbook with the sheet ``title`` or as CSV, by the name."""
    if is_excel(path):
        write_workbook(path, {title: frame})
    else:
        write_text(path, csvfile.for_people(frame))


def write_workbook(path: Path, tables: Mapping[str, pd.DataFrame]) -> None:
    """Write a sheet a table: numbers as numbers, all else as text, so that nothing is a formula."""
    import openpyxl  # slow to import, and seldom needed

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for title, frame in tables.items():
        sheet = book.create_sheet(title)
        fill(sheet, frame)
        sheet.freeze_panes = "A2"
    with beside(path) as fresh:
        book.save(fresh)


def fill(sheet: Worksheet, frame: pd.DataFrame, first_row: int = 1) -> None:
    """Put a frame of text cells on a sheet, its header in ``first_row``."""
    for at, (name, cells) in enumerate(frame.items(), start=1):
        put(sheet, first_row, at, str(name))
        numeric = not str(name).endswith(_NAMES) and all(
            _NUMBER.fullmatch(cell) for cell in cells if cell
        )
        for row, cell in enumerate(cells, start=first_row + 1):
            if cell:
                put(sheet, row, at, cell, number=numeric)


def put(sheet: Worksheet, row: int, column: int, text: str, *, number: bool = False) -> None:
    """One cell: a number with the decimals it is written with, else text and never a formula."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    cell = sheet.cell(row, column)
    if number and (found := _NUMBER.fullmatch(text)):
        decimals = len(found[1] or "")
        cell.value = float(text) if decimals else int(text)
        cell.number_format = f"0.{'0' * decimals}" if decimals else "0"
        return
    cell.value = ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", text)
    cell.data_type = "s"  # "=1+1" is what somebody wrote, not what Excel shall work out
    cell.number_format = "@"
