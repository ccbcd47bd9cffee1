"""One table from a CSV file or an Excel workbook, as people keep them: its own columns as text."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from pipelines.tables import csvfile, workbook
from pipelines.tables.blank import EXAMPLE
from pipelines.tables.headers import sheet_means, sheet_title
from pipelines.tables.layout import Laid, Rows, emptied, header_of, is_ours, lay_out, names
from pipelines.tables.own_columns import known_columns
from pipelines.tables.schema import (
    AIMS,
    CHANGES,
    DECISIONS,
    DRAWDOWNS,
    NEEDED_TABLES,
    PRESSES,
    SHOP_TABLES,
    TARGETS,
    Table,
)
from pipelines.words.common import listed
from pipelines.workspace.files import read_at_most
from pipelines.workspace.problems import Findings, InputProblems, Kind

EXAMPLES_OUT = f"rows marked {EXAMPLE} were left out"
_BESIDE = {table.name: table for table in (TARGETS, AIMS, DECISIONS)}

# Of a change of a press, also where it stands beside the press itself.
DAY, WHAT = "changed_on", "what"


def read_table(path: Path, table: Table, findings: Findings) -> pd.DataFrame | None:
    """The table's own columns as text cells by row of the file; None: why is in ``findings``."""
    if not path.exists():
        what = "the file is missing"
        findings.problem(path.name, None, None, what, f"put it into {path.parent}", Kind.MISSING)
        return None
    try:
        data = read_at_most(path, csvfile.MAX_BYTES)
    except InputProblems as error:
        findings.problems += error.problems
        return None
    return table_of(data, table, path.name, findings)


def one_book(folder: Path, findings: Findings) -> Path:
    """The workbook of a folder that holds no table of its own but one workbook, and a note on it;
    else the folder itself. Raises InputProblems where it holds neither, or several workbooks.
    """
    files = [name for table in SHOP_TABLES.values() for name in (table.file, f"{table.name}.xlsx")]
    if not folder.is_dir() or any((folder / name).exists() for name in files):
        return folder
    books = _books(folder)
    if len(books) != 1:
        listed = ", ".join(table.file for table in SHOP_TABLES.values() if not table.optional)
        what = f"the folder holds none of {listed}"
        do = "give the one that does, or a workbook that holds all (strikeoff start writes one)"
        if books:
            what += f", but the workbooks {' and '.join(book.name for book in books)}"
            do = "name the one to read"
        findings.problem(str(folder), None, None, what, do, Kind.MISSING)
        findings.raise_if_any()
    findings.warn(f"{folder}: read from the workbook {books[0].name}.")
    for name in _BESIDE:
        if any((folder / f"{name}{end}").exists() for end in (".csv", ".xlsx")):
            what = f"{name} beside the workbook was not read; put a sheet {sheet_title(name)} in it"
            findings.warn(f"{folder}: {what}.")
    return books[0]


def _books(folder: Path) -> list[Path]:
    """The workbooks of a folder, but for traces of open ones and lists beside the tables."""
    books = [p for p in sorted(folder.glob("*.xlsx")) if not p.name.startswith(("~", "."))]
    return [p for p in books if p.stem not in _BESIDE]


def books_beside(folder: Path) -> list[str]:
    """The workbooks that lie in a folder of tables and are none of them: they are not read."""
    books = _books(folder) if folder.is_dir() else []
    return [book.name for book in books if book.stem not in SHOP_TABLES]


def read_tables(path: Path, findings: Findings) -> tuple[dict[str, pd.DataFrame], dict[str, str]]:
    """All tables of a shop, from a folder or one workbook, and what to call each one's file.

    A folder holds a CSV file or an Excel workbook a table, a workbook a sheet a table; one
    without a sheet of drawdowns has none. Targets, aims and decisions are among them where there
    are any. What is wrong is in ``findings``.
    """
    tables, called = dict[str, pd.DataFrame](), dict[str, str]()
    book = None
    if not path.is_dir():
        book = _Book(path.name, sheets_of(read_at_most(path, csvfile.MAX_BYTES), path.name))
    for name, table in [*SHOP_TABLES.items(), *_BESIDE.items()]:
        if book is None:
            file = path / table.file
            if not file.exists() and file.with_suffix(".xlsx").exists():
                file = file.with_suffix(".xlsx")
            if (table is TARGETS or table.optional) and not file.exists():
                continue
            called[table.file] = file.name
            read = read_table(file, table, findings)
        else:
            read = _from_book(table, book, called, findings)
        if read is not None and not (table.optional and read.empty):
            tables[name] = read
    if book is not None:
        _tell_of_sheets(book, tables, findings)
    return with_changes(tables, called, findings), called


@dataclass
class _Book:
    """A workbook that is being read: its filled sheets, those of them that hold example rows, and
    the tables that no sheet holds."""

    file: str
    sheets: dict[str, Rows]
    examples: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)


def _tell_of_sheets(book: _Book, tables: dict[str, pd.DataFrame], findings: Findings) -> None:
    """What is told of all sheets of a workbook together."""
    if book.examples and any(len(cells) for cells in tables.values()):
        sheets = f"sheet{'s' if book.examples[1:] else ''} {listed(book.examples)}"
        findings.warn(f"{book.file}: {EXAMPLES_OUT}, on the {sheets}.")
    needed = [sheet_title(name) for name in book.missing if name != DRAWDOWNS.name]
    if not findings.problems and all(name in book.missing for name in NEEDED_TABLES):
        what = "none of its sheets holds inks, garments, screens or prints"
        do = "give the workbook that does, or begin with the empty one that strikeoff start writes"
        findings.problem(book.file, None, None, what, do, Kind.MISSING)
        return
    if needed:
        what = f"has no filled sheet of {listed([one.lower() for one in needed], 'or')}"
        called = listed([f'"{one}"' for one in needed])
        do = f"add {'them, called' if needed[1:] else 'it, called'} {called}"
        findings.problem(book.file, None, None, what, do, Kind.MISSING)
    if DRAWDOWNS.name in book.missing:
        findings.warn(f"{book.file}: no sheet of drawdowns; taken as none.")


def _from_book(
    table: Table, book: _Book, called: dict[str, str], findings: Findings
) -> pd.DataFrame | None:
    file, sheets = book.file, book.sheets
    titles = [title for title in sheets if sheet_means(table.name, title)]
    if not titles and (table is TARGETS or table.optional):
        return None
    if not titles:
        needed = {column.name for column in table.columns if column.present}
        others = [one for one in SHOP_TABLES if one != table.name]
        titles = [
            title
            for title, rows in sheets.items()
            if names(table, rows, needed) and not any(sheet_means(one, title) for one in others)
        ]
    called[table.file] = f"{file}, sheet {titles[0]}" if titles else file
    if len(titles) > 1:
        own = sheet_title(table.name)
        what = f"the sheets {' and '.join(titles)} both look like {own.casefold()}"
        do = f'call the one that holds them "{own}", and others by what they hold'
        findings.problem(file, None, None, what, do, Kind.DUPLICATE)
        return None
    if titles:
        laid = _from_sheet(table, sheets[titles[0]], called[table.file], findings)
        if laid is None:
            return None
        book.examples += titles[:1] if laid.examples else []
        return _known(table, laid, called[table.file], findings)
    book.missing.append(table.name)
    if table is not DRAWDOWNS:
        return None
    return pd.DataFrame(columns=["ink_id", "substrate_id", "film_um", *"Lab"], dtype=object)


def other_sheets(
    data: bytes, file: str, findings: Findings
) -> tuple[dict[str, pd.DataFrame], dict[str, str]]:
    """What a workbook of prints describes on sheets of their own - inks, garments, ... - and what
    to call each. A sheet that cannot be read is told and left aside, as are targets and aims.
    """
    tables: dict[str, pd.DataFrame] = {}
    called: dict[str, str] = {}
    sheets = sheets_of(data, file) if workbook.is_workbook(data) else {}
    examples: list[str] = []
    for name, table in [*SHOP_TABLES.items(), *_BESIDE.items()]:
        named = {title: rows for title, rows in sheets.items() if sheet_means(name, title)}
        if name == "prints" or not any(header_of(table, rows) for rows in named.values()):
            continue
        own = Findings()
        read = _from_book(table, _Book(file, named, examples), called, own)
        place = called[table.file]
        if read is None or own.problems:
            why = f"{own.headed(own.problems)[0].told}; {own.problems[0].do}"
            findings.warn(f"{place}: was left aside, for it cannot be read ({why}).")
        elif name in _BESIDE and len(read):
            findings.warn(f"{place}: was left aside; strikeoff import takes {name}.")
        elif len(read):
            findings.warnings += own.warnings
            findings.headers |= own.headers
            tables[name] = read
    _tell_of_sheets(_Book(file, sheets, examples), tables, findings)
    tables = with_changes(tables, called, findings)
    return tables, {name: called[SHOP_TABLES[name].file] for name in tables}


def table_of(data: bytes, table: Table, file: str, findings: Findings) -> pd.DataFrame | None:
    """As `read_table`, from the bytes of the file."""
    read = cells_of(data, table, file, findings)
    return None if read is None else _known(table, read, file, findings)


def cells_of(data: bytes, table: Table, file: str, findings: Findings) -> Laid | None:
    """All named columns of the table in the file, before its own ones are chosen."""
    if workbook.is_workbook(data):
        rows = _sheet_for(table, sheets_of(data, file), file, findings)
        laid = None if rows is None else _from_sheet(table, rows, file, findings)
    else:
        laid = _from_csv(table, data, file, findings)
    if laid is not None and laid.examples:
        findings.warn(f"{file}: {EXAMPLES_OUT}.")
    return laid


def _known(table: Table, read: Laid, file: str, findings: Findings) -> pd.DataFrame:
    """The table's own columns; of presses also the changes beside them, for `with_changes`."""
    beside = [one for one in (DAY, WHAT) if table is PRESSES and {DAY, one} <= {*read.cells}]
    own = read.cells.drop(columns=beside)
    given = known_columns(table, own, read.delimiter, findings, file, read.header)
    return given.join(read.cells[beside]) if beside else given


def with_changes(
    tables: dict[str, pd.DataFrame], called: dict[str, str], findings: Findings
) -> dict[str, pd.DataFrame]:
    """The tables with the changes that stand beside presses among the changes, numbered on after
    those there are; ``called`` by file, to which theirs is added."""
    presses = tables.get(PRESSES.name)
    if presses is None or DAY not in presses:
        return tables
    out = tables | {PRESSES.name: presses.drop(columns=[DAY, WHAT], errors="ignore")}
    told = presses[presses[DAY].str.strip() != ""].reindex(columns=["press_id", DAY, WHAT])
    if told.empty:
        return out
    told = told.fillna({WHAT: ""})
    told[WHAT] = told[WHAT].where(told[WHAT].str.strip() != "", "changed")
    called.setdefault(CHANGES.file, called[PRESSES.file])
    told = known_columns(CHANGES, told, ",", findings, called[PRESSES.file])
    if (known := tables.get(CHANGES.name)) is None:
        return out | {CHANGES.name: told}
    last = int(max(known.index, default=1))
    told = told.set_axis(range(last + 1, last + 1 + len(told)))
    return out | {CHANGES.name: pd.concat([known, told]).fillna("").astype(object)}


def sheets_of(data: bytes, file: str) -> dict[str, Rows]:
    """Title -> filled rows as text of every sheet that holds anything; dates keep their mark.

    Raises InputProblems where the workbook is damaged or too large.
    """
    found: dict[str, Rows] = {}
    for title, rows in workbook.read_sheets(data, file).items():
        if rows:
            found[title] = {number: [workbook.text_of(c) for c in cells] for number, cells in rows}
    return found


def rows_of_csv(
    data: bytes, table: Table, file: str, findings: Findings
) -> tuple[Rows, str] | None:
    """The rows of a CSV file and its delimiter, that of the header where a title has another."""
    read = csvfile.rows_of(data, file, findings)
    if read is None or header_of(table, read[0]) is not None:
        return read
    for other in ";\t,":
        again = None if other == read[1] else csvfile.rows_of(data, file, Findings(), other)
        if again is not None and header_of(table, again[0]) is not None:
            return again
    return read


def _from_csv(table: Table, data: bytes, file: str, findings: Findings) -> Laid | None:
    read = rows_of_csv(data, table, file, findings)
    if read is None:
        return None
    rows, delimiter = read
    number = header_of(table, rows)
    if number is None or (number == 1 and is_ours(table, [name.strip() for name in rows[1]])):
        plain = csvfile.under_first_row(rows, file, findings)
        if plain is None:
            return None
        return Laid(emptied(table, plain, ours=True), 1, ours=True, delimiter=delimiter)
    laid = lay_out(table, rows, file, findings)
    if laid is None:
        return None
    width = len(rows[number])
    for row in laid.cells.index:
        if any(cell.strip() for cell in rows[row][width:]):
            what = f"has {len(rows[row])} cells under {width} column names"
            do = "put quotation marks round a cell that holds the separator or a decimal comma"
            findings.problem(file, int(row), None, what, do, Kind.UNREADABLE)
            return None
    return replace(laid, cells=emptied(table, laid.cells, ours=False), delimiter=delimiter)


def _from_sheet(table: Table, rows: Rows, file: str, findings: Findings) -> Laid | None:
    if len(rows) > workbook.MAX_ROWS:
        what, do = f"has more than {workbook.MAX_ROWS} rows", "save it as CSV UTF-8"
        findings.problem(file, None, None, what, do, Kind.OUT_OF_RANGE)
        return None
    laid = lay_out(table, rows, file, findings)
    if laid is None:
        return None
    cells = _without_dates(table, emptied(table, laid.cells, ours=laid.ours), file, findings)
    return replace(laid, cells=cells)


def _sheet_for(table: Table, sheets: dict[str, Rows], file: str, findings: Findings) -> Rows | None:
    """The one sheet that holds the table: by its columns, and where several do, by its title."""
    found = {title: rows for title, rows in sheets.items() if header_of(table, rows) is not None}
    if len(found) > 1:
        named = {title: rows for title, rows in found.items() if sheet_means(table.name, title)}
        found = named or found
    if len(found) > 1:
        listed = " and ".join(f'"{title}"' for title in found)
        what, do = (
            f"the sheets {listed} both look like {sheet_title(table.name).casefold()}",
            f'call the one that is meant "{sheet_title(table.name)}"',
        )
        findings.problem(file, None, None, what, do, Kind.DUPLICATE)
        return None
    if not found:
        needed = ", ".join(column.name for column in table.columns if column.filled)
        what = f"no sheet has a row that names the columns of {table.name} ({needed})"
        do = "write the names of the columns over the table"
        findings.problem(file, None, None, what, do, Kind.MISSING)
        return None
    ((title, rows),) = found.items()
    if len(sheets) > 1:
        findings.warn(f"{file}: read from the sheet {title}.")
    return rows


def _without_dates(
    table: Table, cells: pd.DataFrame, file: str, findings: Findings
) -> pd.DataFrame:
    """Days of a column of dates as text; what Excel has made a date elsewhere is refused."""
    mark = workbook.DATE_MARK
    for name in cells.columns:
        dates = cells[name].str.startswith(mark).astype(bool)
        if not dates.any():
            continue
        plain = cells[name].str.removeprefix(mark).str.replace(r" 00:00:00$", "", regex=True)
        column = table.column(name)
        cells[name] = plain
        if (column and column.kind != "date") or (
            column is None and re.fullmatch("[Lab]|r[0-9]+", name)
        ):
            row = int(dates.idxmax())
            what = f"{plain[row]} is a date: Excel has changed what stood there into it"
            do = "format the column as text or number and enter the values again"
            findings.problem(file, row, name, what, do, Kind.UNREADABLE)
    return cells
