"""CSV as spreadsheets save it: to text cells and back. Nothing is interpreted here."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd

from pipelines.problems import Findings

SAVE_AS = "save the sheet again as CSV UTF-8"


def read_cells(path: Path, findings: Findings) -> tuple[pd.DataFrame, str] | None:
    """Read a CSV file to text cells exactly as given, and its delimiter.

    UTF-8 with or without byte-order mark, else Latin-1 as Western European Windows saves it;
    comma, semicolon or tab. Header names are trimmed. Rows without any filled cell are left
    out. The index is the row as a spreadsheet numbers it. Returns None when the file cannot be
    used; why is in ``findings``.
    """
    file = path.name
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        findings.problem(file, None, None, "the file is missing", f"put it into {path.parent}")
        return None
    except OSError as error:
        findings.problem(file, None, None, f"cannot be read ({error.strerror})", "check the file")
        return None
    text = _decode(data)
    if text is None:
        findings.problem(file, None, None, "is not a CSV text file", SAVE_AS)
        return None
    if not text.strip():
        findings.problem(file, None, None, "is empty", "write the header row and the rows below it")
        return None
    delimiter = _delimiter(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    records: list[list[str]] = []
    try:
        records.extend(reader)
    except csv.Error as error:
        what = f"the quotation marks do not match up ({error})"
        findings.problem(file, len(records) + 1, None, what, SAVE_AS)
        return None
    header = [name.strip() for name in records[0]]
    rows = {n: cells for n, cells in enumerate(records[1:], start=2) if any(map(str.strip, cells))}
    if not _shape_is_sound(file, header, rows, findings):
        return None
    width = len(header)
    square = [(cells + [""] * width)[:width] for cells in rows.values()]
    frame = pd.DataFrame(square, index=list(rows), columns=header, dtype=object)
    unnamed_and_empty = [not name and not frame.iloc[:, i].any() for i, name in enumerate(header)]
    return frame.loc[:, [not drop for drop in unnamed_and_empty]], delimiter


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
        findings.problem(file, 1, None, "holds no column names", "make the header the first row")
        return False
    for name in sorted({name for name in header if name and header.count(name) > 1}):
        sound = False
        findings.problem(file, 1, name, "the column stands there twice", "keep one of the two")
    for number, cells in rows.items():
        if any(cell.strip() for cell in cells[len(header) :]):
            sound = False
            what = f"has {len(cells)} cells under {len(header)} column names"
            do = "put quotation marks round a cell that holds the separator or a decimal comma"
            findings.problem(file, number, None, what, do)
    return sound
