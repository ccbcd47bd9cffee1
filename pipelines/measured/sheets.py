"""CSV and Excel workbooks: a header row and one row a reading."""

from __future__ import annotations

import re

import pandas as pd

from pipelines.measured.block import Block, check_counts, listed, refuse
from pipelines.measured.columns import Columns, columns_of
from pipelines.tables import csvfile
from pipelines.tables.workbook import DATE_MARK, Rows, read_sheets, text_of
from pipelines.workspace.problems import Findings


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
    sheets = {name: rows for name, rows in read_sheets(data, file).items() if rows}
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


def _block(rows: Rows, file: str) -> Block | None:
    (_, header), *below = rows
    names = [text_of(cell).strip() for cell in header]
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
    cells = cells.map(text_of)
    return Block(cells.astype(object), [f"row {n}" for n, _ in below], free_order=True)


def _refuse_dates(block: Block, columns: Columns, file: str) -> None:
    """Names and decimals that Excel has turned into dates cannot be turned back."""
    kinds = [(columns.samples, "a sample's name"), ([*columns.spectrum.values()], "a decimal")]
    kinds += [(columns.lab, "a decimal"), (columns.xyz, "a decimal")]
    for names, what_it_was in kinds:
        for name in names:
            dates = block.cells[name].str.startswith(DATE_MARK).astype(bool)
            if dates.any():
                row = int(dates.to_numpy().argmax())
                day = re.sub(" 00:00:00$", "", block.cells[name].iloc[row][len(DATE_MARK) :])
                what = f"{day} is a date: Excel has changed {what_it_was} into it"
                do = "format the column as text or number and enter the values again"
                refuse(file, what, do, where=block.where[row], column=name)
