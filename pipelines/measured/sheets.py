"""CSV and Excel workbooks: a header row and one row a reading."""

from __future__ import annotations

import io
import lzma
import re
import struct
import warnings
import zipfile
import zlib
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

import pandas as pd

from pipelines.measured.block import MAX_FIELDS, MAX_READINGS, Block, check_counts, listed, refuse
from pipelines.measured.columns import Columns, columns_of
from pipelines.tables import csvfile
from pipelines.workspace.problems import Findings

if TYPE_CHECKING:
    from openpyxl.worksheet._read_only import ReadOnlyWorksheet

# 20,000 readings of 40 columns are some 30 MB of XML.
MAX_UNPACKED_BYTES = 60_000_000
_MAX_MEMBERS = 1_000
_MAX_TAGS = 5_000_000  # four to six a cell; reading them takes far longer than counting
# What unpacking raises on broken archives; RuntimeError is an encrypted one, NotImplementedError
# a packing that Python does not know.
_DAMAGE: tuple[type[Exception], ...] = (zipfile.BadZipFile, zlib.error, lzma.LZMAError)
_DAMAGE += (struct.error, OSError, EOFError, ValueError, RuntimeError, NotImplementedError)
_CHUNK = 1 << 20


def read_csv(data: bytes, file: str) -> list[Block]:
    """The one table of a CSV file; raises InputProblems when its shape is not sound."""
    findings = Findings()
    read = csvfile.cells_of(data, file, findings)
    findings.raise_if_any()
    assert read is not None  # else there were findings
    cells, _ = read
    check_counts(file, len(cells), cells.shape[1])
    if cells.empty:
        refuse(file, "holds no reading below its header", "write one row a reading")
    where = [f"row {row}" for row in cells.index]
    return [Block(cells.reset_index(drop=True), where, free_order=True)]


def read_workbook(data: bytes, file: str, said: list[str]) -> list[Block]:
    """The one sheet of an Excel workbook that holds readings."""
    _check_archive(data, file)
    sheets = {name: rows for name, rows in _sheets(data, file).items() if rows}
    found: dict[str, tuple[Block, Columns]] = {}
    for name, rows in sheets.items():
        block = _block(rows, file)
        if block is None:
            continue
        columns = columns_of(list(block.cells.columns), file)
        if columns.has_colour and columns.samples:
            found[name] = block, columns
    if not found:
        what = "has no sheet whose first row names a sample column and L, a, b or a spectrum"
        refuse(file, what, "name print_id, L, a, b or r400 ... r700 in the first row")
    if len(found) > 1:
        what = f"has readings on several sheets, {listed(found)}"
        refuse(file, what, "keep one of them in the file")
    name, (block, columns) = next(iter(found.items()))
    if len(sheets) > 1:
        said.append(f"Read from the sheet {name}.")
    _refuse_dates(block, columns, file)
    return [block]


def _check_archive(data: bytes, file: str) -> None:
    """Unpacks the workbook once, counting: sizes declared in an archive may be lies."""
    damaged = "is damaged: it cannot be unpacked", "save the workbook again as .xlsx"
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            total = sum(member.file_size for member in members)
            if total <= MAX_UNPACKED_BYTES and len(members) <= _MAX_MEMBERS:
                if "[Content_Types].xml" not in archive.namelist():
                    refuse(file, "is an archive, not an Excel workbook", "save it as .xlsx")
                found = [_unpacked(archive, member, file) for member in members]
                total, tags = map(sum, zip(*found, strict=True))
                if tags > _MAX_TAGS:
                    what = "holds more cells than any day's readings"
                    refuse(file, what, "save the readings alone")
    except _DAMAGE:
        refuse(file, *damaged)
    if total > MAX_UNPACKED_BYTES or len(members) > _MAX_MEMBERS:
        what = f"unpacks to more than {MAX_UNPACKED_BYTES // 1_000_000} MB"
        refuse(file, what, "no day's readings are so large: save the readings alone")


def _unpacked(archive: zipfile.ZipFile, member: zipfile.ZipInfo, file: str) -> tuple[int, int]:
    """Bytes of a member, and tags."""
    size = tags = 0
    tail = b""
    with archive.open(member) as stream:
        while chunk := stream.read(_CHUNK):
            size += len(chunk)
            tags += chunk.count(b"<")
            if size > MAX_UNPACKED_BYTES:
                break
            # Letters alone, so that a UTF-16 declaration is seen as well.
            if b"<!DOCTYPE" in (tail + chunk).replace(b"\0", b""):
                what = "declares a document type inside, which no workbook needs"
                refuse(file, what, "save the workbook again as .xlsx")
            tail = chunk[-32:]
    return size, tags


Cell = object
Rows = list[tuple[int, list[Cell]]]


def _sheets(data: bytes, file: str) -> dict[str, Rows]:
    """Filled rows of every sheet with their numbers, cut just beyond what is accepted."""
    import openpyxl  # slow to import, and seldom needed

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
            sheets = {}
            for sheet in book.worksheets[:50]:
                sheet.reset_dimensions()  # what a sheet says of its own size may be a lie
                sheets[sheet.title] = _rows(sheet)
    except Exception:  # noqa: BLE001  the library raises whatever a broken part led it into
        refuse(file, "is damaged: its sheets cannot be read", "save the workbook again as .xlsx")
    return sheets


def _rows(sheet: ReadOnlyWorksheet) -> Rows:
    """The filled rows, each as wide as the first: rows come padded to the width asked for."""
    first = next(filter(None, map(_width, sheet.iter_rows(**_CUT, values_only=True))), 0)
    if not first:
        return []
    rows = sheet.iter_rows(max_row=_CUT["max_row"], max_col=first, values_only=True)
    return [(n, list(cells)) for n, cells in enumerate(rows, start=1) if _width(cells)]


_CUT = {"max_row": 2 * MAX_READINGS, "max_col": MAX_FIELDS + 1}


def _width(cells: tuple[Cell, ...]) -> int:
    """Up to where a row is filled."""
    there = [i for i, cell in enumerate(cells, start=1) if cell is not None]
    return next((i for i in reversed(there) if _filled(cells[i - 1])), 0)


def _filled(cell: Cell) -> bool:
    return cell is not None and str(cell).strip() != ""


def _block(rows: Rows, file: str) -> Block | None:
    (_, header), *below = rows
    names = ["" if cell is None else _text(cell).strip() for cell in header]
    width = max([i + 1 for i, name in enumerate(names) if name], default=0)
    names = names[:width]
    if not below or not width:
        return None
    check_counts(file, len(below), width)
    repeated = sorted({name for name in names if name and names.count(name) > 1})
    if repeated:
        refuse(file, "the column stands there twice", "keep one of the two", column=repeated[0])
    square = [(cells + [None] * width)[:width] for _, cells in below]
    cells = pd.DataFrame(square, columns=names, dtype=object).loc[:, [n != "" for n in names]]
    cells = cells.apply(lambda column: column.map(lambda c: "" if c is None else _text(c)))
    return Block(cells.astype(object), [f"row {n}" for n, _ in below], free_order=True)


def _text(cell: Cell) -> str:
    match cell:
        case bool():
            return "TRUE" if cell else "FALSE"
        case float() if cell.is_integer() and abs(cell) < 1e15:
            return str(int(cell))
        case date() | datetime() | time() | timedelta():
            return f"{_DATE_MARK}{cell}"
        case _:
            return str(cell)


_DATE_MARK = "date "  # how a cell is told that is a date in the workbook itself


def _refuse_dates(block: Block, columns: Columns, file: str) -> None:
    """Names and decimals that Excel has turned into dates cannot be turned back."""
    kinds = [(columns.samples, "a sample's name"), ([*columns.spectrum.values()], "a decimal")]
    kinds += [(columns.lab, "a decimal"), (columns.xyz, "a decimal")]
    for names, what_it_was in kinds:
        for name in names:
            dates = block.cells[name].str.startswith(_DATE_MARK).astype(bool)
            if dates.any():
                row = int(dates.to_numpy().argmax())
                day = re.sub(" 00:00:00$", "", block.cells[name].iloc[row][len(_DATE_MARK) :])
                what = f"{day} is a date: Excel has changed {what_it_was} into it"
                do = "format the column as text or number and enter the values again"
                refuse(file, what, do, where=block.where[row], column=name)
