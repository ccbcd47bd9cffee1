"""CGATS.17 / ISO 28178 ASCII: keywords, then tables of samples."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd

from pipelines.measured.block import Block, check_counts, check_tables, listed, refuse
from pipelines.measured.facts import from_keywords
from pipelines.tables.cells import shown

# A token: a quoted string, in which a doubled quotation mark is one, or anything up to a blank.
_TOKEN = re.compile(r'"((?:[^"]|"")*)"|(\S+)')
_STRUCTURE = {
    "NUMBER_OF_FIELDS",
    "BEGIN_DATA_FORMAT",
    "END_DATA_FORMAT",
    "NUMBER_OF_SETS",
    "BEGIN_DATA",
    "END_DATA",
}
_AGAIN = "export the file again"
# First words of files that are laid out alike and hold no measured prints (from memory): charts
# still to be printed and measured, charts for scanners and films, calibrations of screens.
_NO_PRINTS = {
    "CTI1": "a chart to be printed",
    "CTI2": "a chart to be printed",
    "IT8.7/1": "a chart for scanners",
    "IT8.7/2": "a chart for scanners",
    "CAL": "the calibration of a device",
    "CCMX": "the correction of a screen's colours",
    "CCSS": "the light of screens",
}


@dataclass
class _Table:
    header: dict[str, list[str]]
    fields: list[str]
    number_of_fields: str | None = None
    number_of_sets: str | None = None
    rows: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)


def looks_like_cgats(text: str) -> bool:
    """Whether a text is meant as a CGATS file, complete or not."""
    begins = re.search(r"^[ \t]*BEGIN_DATA(_FORMAT)?\b", text, re.MULTILINE | re.IGNORECASE)
    return bool(begins) or bool(re.match(r"\s*(CGATS|IT8|CTI[1-3]|ISO28178|CAL|CCMX|CCSS)\b", text))


def read_cgats(lines: Iterable[str], file: str, said: list[str]) -> list[Block]:  # noqa: C901  one state machine
    """The tables of a CGATS text. A later one inherits the header of those before it."""
    blocks: list[Block] = []
    header: dict[str, list[str]] = {}
    fields: list[str] = []
    table = _Table({}, fields)
    pending: list[str] = []
    state, start = "header", 0
    for number, line in enumerate(lines, start=1):
        tokens = _tokens(line, number, file)
        if not tokens:
            continue
        if tokens[0].upper() in _STRUCTURE:  # some programs write them small
            tokens[0] = tokens[0].upper()
        if tokens[-1].upper() == "END_DATA_FORMAT":
            tokens[-1] = tokens[-1].upper()
        first = tokens[0]
        if first in _NO_PRINTS and state == "header" and not blocks:
            what = f"holds no prints but {_NO_PRINTS[first]} ({first})"
            refuse(file, what, "export the readings of the prints", where=f"line {number}")
        if first in _STRUCTURE and state != "data":
            if first == "BEGIN_DATA_FORMAT":
                fields = tokens[1 : _end(tokens)]
                state = "header" if "END_DATA_FORMAT" in tokens else "format"
            elif first == "END_DATA_FORMAT":
                state = "header"
            elif first == "NUMBER_OF_FIELDS":
                table.number_of_fields = tokens[1] if len(tokens) > 1 else ""
            elif first == "NUMBER_OF_SETS":
                table.number_of_sets = tokens[1] if len(tokens) > 1 else ""
            elif first == "BEGIN_DATA":
                if state == "format":
                    refuse(file, "END_DATA_FORMAT is missing", _AGAIN, where=f"line {number}")
                state, pending = "data", []
                header = header | table.header
                table.fields = fields
                check_counts(file, 0, len(fields))
                _check_fields(table, file, number)
        elif state == "format":
            fields += tokens[: _end(tokens)]
            state = "header" if "END_DATA_FORMAT" in tokens else state
        elif state == "header":
            if first != "KEYWORD":
                table.header.setdefault(first.upper(), []).append(" ".join(tokens[1:]))
        elif first == "END_DATA":
            if pending:
                _wrong_width(table, pending, start, file)
            blocks.append(_block(table, header, file, said))
            check_tables(file, len(blocks))
            table, state = _Table({}, fields), "header"
        elif first in _STRUCTURE:
            refuse(file, f"{first} stands inside the data", _AGAIN, where=f"line {number}")
        else:
            cells = _cells(line, tokens, len(table.fields))
            start = start if pending else number
            pending += cells
            if len(pending) > len(table.fields):
                _wrong_width(table, pending, start, file)
            if len(pending) == len(table.fields):
                table.rows.append(pending)
                table.lines.append(start)
                check_counts(file, len(table.rows), 0)
                pending = []
    if state != "header":
        end = "END_DATA" if state == "data" else "END_DATA_FORMAT"
        refuse(file, f"ends before {end}: it has been cut short", _AGAIN)
    if not blocks:
        refuse(file, "holds no BEGIN_DATA: it has been cut short or holds no data", _AGAIN)
    return blocks


def _tokens(line: str, number: int, file: str) -> list[str]:
    """The tokens of a line up to a comment sign."""
    tokens = []
    at = 0
    while found := _TOKEN.search(line, at):
        quoted, plain = found.groups()
        if quoted is None and plain.startswith("#"):
            break
        if quoted is None and plain.startswith('"'):
            refuse(file, "a quotation mark is not closed", "close it", where=f"line {number}")
        tokens.append(plain if quoted is None else quoted.replace('""', '"'))
        at = found.end()
    return tokens


def _cells(line: str, tokens: list[str], width: int) -> list[str]:
    """A row's cells: parted by tabs where that gives the right number, else by blanks.

    Tabs keep empty cells, and names with blanks that nobody put in quotation marks.
    """
    if len(tokens) == width or "\t" not in line:
        return tokens
    parted = [cell.strip() for cell in line.strip("\r\n ").split("\t")]
    if len(parted) == width + 1 and not parted[-1]:
        parted = parted[:-1]
    if len(parted) != width:
        return tokens
    return [c[1:-1].replace('""', '"') if re.fullmatch(r'".*"', c) else c for c in parted]


def _end(tokens: list[str]) -> int:
    """Where the data format ends on this line; else the line's end."""
    return tokens.index("END_DATA_FORMAT") if "END_DATA_FORMAT" in tokens else len(tokens)


def _wrong_width(table: _Table, cells: list[str], line: int, file: str) -> None:
    what = f"has {len(cells)} values where {len(table.fields)} fields are declared"
    do = "put names with blanks into quotation marks, and fill every field"
    refuse(file, what, do, where=f"line {line}")


def _check_fields(table: _Table, file: str, line: int) -> None:
    if not table.fields:
        refuse(file, "no data format stands before the data", _AGAIN, where=f"line {line}")
    declared = table.number_of_fields
    if declared is not None and declared != str(len(table.fields)):
        what = f"NUMBER_OF_FIELDS is {shown(declared)}, but {len(table.fields)} fields are named"
        refuse(file, what, _AGAIN, where=f"line {line}")


def _block(table: _Table, header: dict[str, list[str]], file: str, said: list[str]) -> Block:
    declared = table.number_of_sets
    if declared is not None and declared != str(len(table.rows)):
        what = f"NUMBER_OF_SETS is {shown(declared)}, but {len(table.rows)} samples follow"
        refuse(file, what, f"the file has been cut short or edited: {_AGAIN}")
    where = [f"line {number}" for number in table.lines]
    fields, rows = _paired(table, where, file)
    repeated = sorted({name for name in fields if fields.count(name) > 1})
    if repeated:
        what = f"the field {listed(repeated)} stands there twice"
        refuse(file, what, "export every field once")
    cells = pd.DataFrame(rows, columns=fields, dtype=object)
    bands = header.get("SPECTRAL_BANDS", [""])[-1]
    named = sum(bool(re.fullmatch(r"SPEC_[0-9]{3}", name)) for name in fields)
    if bands and named and bands != str(named):
        what = f"SPECTRAL_BANDS is {shown(bands)}, but {named} bands are named"
        refuse(file, what, _AGAIN)
    return Block(cells, where, from_keywords(header, file, said))


def _paired(table: _Table, where: list[str], file: str) -> tuple[list[str], list[list[str]]]:
    """Fields and rows with repeated pairs of wavelength and value made one field a wavelength."""
    at_nm = [i for i, name in enumerate(table.fields) if name == "SPECTRAL_NM"]
    if not at_nm or not table.rows:
        return table.fields, table.rows
    names = {table.fields[i + 1] for i in at_nm if i + 1 < len(table.fields)}
    if len(names) != 1 or names & {"SPECTRAL_NM"}:
        refuse(file, "SPECTRAL_NM is not followed by one kind of value each time", _AGAIN)
    nm = [table.rows[0][i] for i in at_nm]
    for row, place in zip(table.rows, where, strict=True):
        if [row[i] for i in at_nm] != nm:
            what = "the wavelengths are not those of the first sample"
            refuse(file, what, "export all samples at the same wavelengths", where=place)
    # An unreadable wavelength stays what it is, and is left aside or refused further on.
    short = {i: re.sub(r"\.0*$", "", value) for i, value in zip(at_nm, nm, strict=True)}
    wrong = [value for value in short.values() if not re.fullmatch(r"[3-8][0-9]{2}", value)]
    if wrong:
        what = f"{shown(wrong[0])} is no wavelength in whole nm"
        refuse(file, what, _AGAIN, where=where[0], column="SPECTRAL_NM")
    value_name = names.pop()
    fields = [
        f"{value_name}_{short[i - 1]}" if i - 1 in short else name
        for i, name in enumerate(table.fields)
    ]
    kept = [i for i in range(len(fields)) if i not in short]
    return [fields[i] for i in kept], [[row[i] for i in kept] for row in table.rows]
