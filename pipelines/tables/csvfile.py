"""CSV as spreadsheets save it: to text cells and back. Nothing is interpreted here."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Iterator, Mapping

import pandas as pd

from pipelines.workspace.problems import Findings, Kind

SAVE_AS = "save the sheet again as CSV UTF-8"
# 50,000 prints with spectra are some 20 MB and 3 million cells.
MAX_BYTES = 50_000_000
MAX_ROWS = 200_000
MAX_CELLS = 10_000_000
MAX_COLUMNS = 1_000
MAX_LINE = 100_000  # signs
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?[0-9]*[.,]?[0-9]+(?:[eE][+-]?[0-9]+)?")
_GUARDED = re.compile(r"'+[=+\-@\t\r]")
_SEPARATOR = re.compile(r'"?sep=([,;\t])"?[ ,;]*\r?\n', re.IGNORECASE)
HEAD = 100  # rows among which the header is, and so tells how wide the table is


def under_first_row(
    rows: Mapping[int, list[str]], file: str, findings: Findings
) -> pd.DataFrame | None:
    """The cells of `rows_of` under the names in the first of them, which are trimmed; the index is
    the row as a spreadsheet numbers it. Returns None when they cannot be used; why is in
    ``findings``."""
    first = next(iter(rows))
    header = [name.strip() for name in rows[first]]
    rows = {number: cells for number, cells in rows.items() if number != first}
    if not _shape_is_sound(file, header, rows, findings):
        return None
    width = len(header)
    square = [(cells + [""] * width)[:width] for cells in rows.values()]
    frame = pd.DataFrame(square, index=list(rows), columns=header, dtype=object)
    unnamed_and_empty = [not name and not frame.iloc[:, i].any() for i, name in enumerate(header)]
    return frame.loc[:, [not drop for drop in unnamed_and_empty]]


def rows_of(
    data: bytes, file: str, findings: Findings, delimiter: str | None = None
) -> tuple[dict[int, list[str]], str] | None:
    """Row 1 and every filled row by its number, and the delimiter, unless given as in row 1: comma,
    semicolon or tab. UTF-8 with or without byte-order mark, UTF-16 with one, else Latin-1 as
    Western European Windows saves it.

    Returns None when they cannot be used; why is in ``findings``.
    """
    text = _decode(data)
    if text is None:
        findings.problem(file, None, None, "is not a CSV text file", SAVE_AS, Kind.UNREADABLE)
        return None
    if not text.strip():
        findings.problem(
            file, None, None, "is empty", "write the header row and the rows below it", Kind.MISSING
        )
        return None
    if said := _SEPARATOR.match(text):  # a spreadsheet's own line, which it does not number
        text, delimiter = text[said.end() :], said[1]
    delimiter = delimiter or _delimiter(text)
    guarded = _GUARDED.search(text) is not None
    rows: dict[int, list[str]] = {}
    number = width = 0
    try:
        reader = csv.reader(_lines(text), delimiter=delimiter, strict=True)
        for number, cells in enumerate(reader, start=1):
            if guarded:
                cells = [cell[1:] if _GUARDED.match(cell) else cell for cell in cells]
            if number == 1 or any(map(str.strip, cells)):
                rows[number] = cells[: MAX_COLUMNS + 1]
            if number <= HEAD:
                width = max(width, len(cells))
            if width > MAX_COLUMNS:
                raise _TooLarge(f"has more than {MAX_COLUMNS} columns")
            if len(rows) > MAX_ROWS:
                raise _TooLarge(f"has more than {MAX_ROWS} rows")
            if len(rows) * width > MAX_CELLS:
                raise _TooLarge(f"holds more than {MAX_CELLS // 1_000_000} million cells")
    except csv.Error as error:
        what = f"the quotation marks do not match up ({error})"
        findings.problem(file, number + 1, None, what, SAVE_AS, Kind.UNREADABLE)
        return None
    except _TooLarge as error:
        do = "check the file, or split it into several"
        findings.problem(file, None, None, str(error), do, Kind.OUT_OF_RANGE)
        return None
    return rows, delimiter


class _TooLarge(Exception):
    """More than any table of a shop holds."""


def _lines(text: str) -> Iterator[str]:
    for number, line in enumerate(io.StringIO(text, newline=""), start=1):
        if len(line) > MAX_LINE:
            raise _TooLarge(f"line {number} is longer than {MAX_LINE} signs")
        yield line


def for_people(frame: pd.DataFrame) -> str:
    """As `to_csv`, for a file that a spreadsheet may open: what it would take for a formula begins
    with an apostrophe, which `rows_of` takes away again."""
    guarded = frame.map(_guard)
    guarded.columns = pd.Index([_guard(str(name)) for name in frame.columns])
    return to_csv(guarded)


def _guard(cell: str) -> str:
    return f"'{cell}" if _FORMULA.match(cell) and not _NUMBER.fullmatch(cell) else cell


def to_csv(frame: pd.DataFrame) -> str:
    """The text of a CSV file (comma, LF) from a frame of text cells."""
    out = io.StringIO(newline="")
    # Quoting is decided here: the csv module leaves a lone carriage return bare.
    for record in [list(frame.columns), *frame.to_numpy(dtype=object).tolist()]:
        out.write(",".join(map(_quoted, record)) + "\n")
    return out.getvalue()


def _quoted(cell: str) -> str:
    if any(mark in cell for mark in ',"\r\n'):
        return '"' + cell.replace('"', '""') + '"'
    return cell


def _decode(data: bytes) -> str | None:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            text = data.decode("utf-16")  # "Unicode text" of a spreadsheet
        except UnicodeDecodeError:
            return None
        return None if "\0" in text else text
    if b"\0" in data:
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    try:
        return data.decode("cp1252")  # Latin-1 with the printable marks Windows adds
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _delimiter(text: str) -> str:
    """The mark that parts the header row into most names; a comma when in doubt."""
    header = io.StringIO(text, newline="").readline()
    return max(",;\t", key=header.count)


def _shape_is_sound(
    file: str, header: list[str], rows: dict[int, list[str]], findings: Findings
) -> bool:
    sound = True
    if not any(header):
        findings.problem(
            file, 1, None, "holds no column names", "make the header the first row", Kind.MISSING
        )
        return False
    for name in sorted(name for name, n in Counter(header).items() if name and n > 1):
        sound = False
        findings.problem(
            file, 1, name, "the column stands there twice", "keep one of the two", Kind.DUPLICATE
        )
    for number, cells in rows.items():
        if any(cell.strip() for cell in cells[len(header) :]):
            sound = False
            what = f"has {len(cells)} cells under {len(header)} column names"
            do = "put quotation marks round a cell that holds the separator or a decimal comma"
            findings.problem(file, number, None, what, do, Kind.UNREADABLE)
    return sound
