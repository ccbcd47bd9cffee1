"""Excel workbooks as text cells, of bounded size: what an archive says of itself may be a lie."""

from __future__ import annotations

import io
import lzma
import re
import struct
import warnings
import zipfile
import zlib
from collections.abc import Iterable, Sequence
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, NoReturn

from pipelines.workspace.problems import InputProblems, Kind, Problem

if TYPE_CHECKING:
    from openpyxl.worksheet._read_only import ReadOnlyWorksheet

SIGNATURE = b"PK\x03\x04"
# 20,000 rows of 40 columns are some 30 MB of XML.
MAX_UNPACKED_BYTES = 60_000_000
MAX_ROWS = 20_000
MAX_COLUMNS = 1_000
_MAX_MEMBERS = 1_000
_MAX_SHEETS = 50
_MAX_TAGS = 5_000_000  # four to six a cell; reading them takes far longer than counting
# What unpacking raises on broken archives; RuntimeError is an encrypted one, NotImplementedError
# a packing that Python does not know.
_DAMAGE: tuple[type[Exception], ...] = (zipfile.BadZipFile, zlib.error, lzma.LZMAError)
_DAMAGE += (struct.error, OSError, EOFError, ValueError, RuntimeError, NotImplementedError)
_PER_CENT = re.compile(rb'numFmtId="(9|10)"|%')
_CELLS = (b"<c ", b"<c>", b":c ")
_CHUNK = 1 << 20
_CUT = {"max_row": 2 * MAX_ROWS, "max_col": MAX_COLUMNS + 1}
_HEAD = 40  # filled rows that may be a header, and so tell how wide the sheet is

DATE_MARK = "date "  # how a cell is told that is a date in the workbook itself
Cell = object
Rows = list[tuple[int, list[Cell]]]


def is_workbook(data: bytes) -> bool:
    """Whether the bytes are a packed archive, as every .xlsx is."""
    return data.startswith(SIGNATURE)


def read_sheets(data: bytes, file: str, most_cells: int | None = None) -> dict[str, Rows]:
    """Filled rows of every sheet with their numbers, cut just beyond what is accepted.

    Raises InputProblems where the file is damaged, no workbook, or too large.
    """
    _check_archive(data, file, most_cells)
    import openpyxl  # slow to import, and seldom needed

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
            sheets, per_cent = {}, _shows_per_cent(data)
            for sheet in book.worksheets[:_MAX_SHEETS]:
                sheet.reset_dimensions()  # what a sheet says of its own size may be a lie
                sheets[sheet.title] = _rows(sheet, per_cent=per_cent)
    except Exception:  # noqa: BLE001  the library raises whatever a broken part led it into
        _refuse(file, "is damaged: its sheets cannot be read", "save the workbook again as .xlsx")
    return sheets


def text_of(cell: Cell) -> str:
    """The cell as text; a date behind a mark, for it may have been something else once."""
    match cell:
        case None:
            return ""
        case bool():
            return "TRUE" if cell else "FALSE"
        case float() if cell.is_integer() and abs(cell) < 1e15:
            return str(int(cell))
        case date() | datetime() | time() | timedelta():
            return f"{DATE_MARK}{cell}"
        case _:
            return str(cell)


def _refuse(file: str, what: str, do: str) -> NoReturn:
    raise InputProblems([Problem(file, None, None, what, do, Kind.UNREADABLE)])


def _check_archive(data: bytes, file: str, most_cells: int | None) -> None:
    """Unpacks the workbook once, counting: sizes declared in an archive may be lies."""
    damaged = "is damaged: it cannot be unpacked", "save the workbook again as .xlsx"
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            total = sum(member.file_size for member in members)
            if total <= MAX_UNPACKED_BYTES and len(members) <= _MAX_MEMBERS:
                if "[Content_Types].xml" not in archive.namelist():
                    _refuse(file, "is an archive, not an Excel workbook", "save it as .xlsx")
                found = [_unpacked(archive, member, file) for member in members]
                total, tags, cells = map(sum, zip(*found, strict=True))
                if tags > _MAX_TAGS:
                    what = "holds more cells than any day's readings"
                    _refuse(file, what, "save the readings alone")
                if most_cells is not None and cells > most_cells:
                    what = f"holds more than {most_cells:,} cells, empty ones that are coloured too"
                    _refuse(file, what, "save the readings alone, or as CSV UTF-8")
    except _DAMAGE:
        _refuse(file, *damaged)
    if total > MAX_UNPACKED_BYTES or len(members) > _MAX_MEMBERS:
        what = f"unpacks to more than {MAX_UNPACKED_BYTES // 1_000_000} MB"
        _refuse(file, what, "no day's readings are so large: save the readings alone")


def _unpacked(archive: zipfile.ZipFile, member: zipfile.ZipInfo, file: str) -> tuple[int, int, int]:
    """Bytes of a member, tags, and cells if it is a sheet."""
    size = tags = cells = 0
    tail = b""
    with archive.open(member) as stream:
        while chunk := stream.read(_CHUNK):
            size += len(chunk)
            tags += chunk.count(b"<")
            if "worksheets" in member.filename:
                cells += sum(map(chunk.count, _CELLS))
            if size > MAX_UNPACKED_BYTES:
                break
            # Letters alone, so that a UTF-16 declaration is seen as well.
            if b"<!DOCTYPE" in (tail + chunk).replace(b"\0", b""):
                what = "declares a document type inside, which no workbook needs"
                _refuse(file, what, "save the workbook again as .xlsx")
            tail = chunk[-32:]
    return size, tags, cells


def _shows_per_cent(data: bytes) -> bool:
    """Whether any style of the workbook may show 0.2 as 20 %."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        styles = [name for name in archive.namelist() if name.endswith("styles.xml")]
        return any(_PER_CENT.search(archive.read(name)) for name in styles)


def _rows(sheet: ReadOnlyWorksheet, *, per_cent: bool) -> Rows:
    """The filled rows, as wide as the widest at the head: rows come padded to what is asked.

    ``per_cent``: a number that is shown as 20 % is 20 and not 0.2, as it was typed; to look for
    these takes as long again.
    """
    width = filled = 0
    for cells in sheet.iter_rows(**_CUT, values_only=True):
        own = _width(cells)
        width, filled = max(width, own), filled + bool(own)
        if filled == _HEAD:
            break
    if not width:
        return []
    wanted = {"max_row": _CUT["max_row"], "max_col": width}
    rows: Iterable[Sequence[Cell]] = sheet.iter_rows(**wanted, values_only=True)
    if per_cent:
        rows = ([_as_shown(cell) for cell in row] for row in sheet.iter_rows(**wanted))
    return [(n, list(cells)) for n, cells in enumerate(rows, start=1) if _width(cells)]


def _as_shown(cell: Any) -> Cell:
    value = cell.value
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or "%" not in re.sub(r'"[^"]*"|\\.', "", cell.number_format or ""):
        return value
    return round(100 * value, 10)


def _width(cells: Sequence[Cell]) -> int:
    """Up to where a row is filled."""
    there = [i for i, cell in enumerate(cells, start=1) if cell is not None]
    return next((i for i in reversed(there) if _filled(cells[i - 1])), 0)


def _filled(cell: Cell) -> bool:
    return cell is not None and str(cell).strip() != ""
