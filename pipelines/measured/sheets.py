"""CSV and Excel workbooks: a header row and one row a reading."""

from __future__ import annotations

import re

import pandas as pd

from pipelines.measured.block import MAX_CELLS, Block, check_counts, listed, refuse
from pipelines.measured.columns import Columns, columns_of, is_header
from pipelines.measured.facts import from_keywords
from pipelines.measured.laid import Laid, laid_out, prints_alone, without_percent_signs
from pipelines.tables import csvfile
from pipelines.tables.workbook import DATE_MARK, read_sheets, text_of
from pipelines.tables.workbook import Rows as Cells
from pipelines.workspace.problems import Findings


def read_csv(data: bytes, file: str, said: list[str]) -> list[Block]:
    """The one table of a CSV file; raises InputProblems when its shape is not sound."""
    findings = Findings()
    laid = _rows_of_csv(data, file, findings, said)
    cells = None if laid is None else csvfile.under_first_row(laid.rows, file, findings)
    findings.raise_if_any()
    assert laid is not None  # else there were findings
    assert cells is not None
    check_counts(file, len(cells), cells.shape[1])
    if cells.empty:
        refuse(file, "holds no reading below its header", "write one row a reading")
    where = [f"{laid.one} {number}" for number in cells.index]
    return [_dressed_down(cells.reset_index(drop=True), where, laid, file, said)]


def _rows_of_csv(data: bytes, file: str, findings: Findings, said: list[str]) -> Laid | None:
    """Its rows from the header on, parted by the mark of the header where a title has another."""
    read = csvfile.rows_of(data, file, findings)
    if read is None:
        return None
    for delimiter in (read[1], *";\t,"):
        own: list[str] = []
        rows = read if delimiter == read[1] else csvfile.rows_of(data, file, Findings(), delimiter)
        if rows is not None:
            laid = laid_out(rows[0], own)
            if is_header([name.strip() for name in next(iter(laid.rows.values()))]):
                said += own
                return laid
    return Laid(read[0], "row", {})


def _dressed_down(
    cells: pd.DataFrame, where: list[str], laid: Laid, file: str, said: list[str]
) -> Block:
    block = Block(cells, where, from_keywords(laid.over, file, said), free_order=True)
    return without_percent_signs(prints_alone(block, file, said), file)


def read_workbook(data: bytes, file: str, said: list[str]) -> list[Block]:
    """The one sheet of an Excel workbook that holds readings."""
    sheets = {name: rows for name, rows in read_sheets(data, file, MAX_CELLS).items() if rows}
    found: dict[str, Block] = {}
    heard: dict[str, list[str]] = {}
    for name, rows in sheets.items():
        own: list[str] = []
        block = _block(rows, file, own)
        if block is None:
            continue
        if is_header(list(block.cells.columns)):
            found[name] = block
            heard[name] = own
    if not found:
        what = "has no sheet with a row that names a sample column and L, a, b or a spectrum"
        refuse(file, what, "write print_id, L, a, b or r400 ... r700 over the readings")
    if len(found) > 1:
        what = f"has readings on several sheets, {listed(found)}"
        refuse(file, what, "keep one of them in the file")
    name, block = next(iter(found.items()))
    if len(sheets) > 1:
        said.append(f"Read from the sheet {name}.")
    said += heard[name]
    _refuse_dates(block, columns_of(list(block.cells.columns), file), file)
    return [block]


def _block(filled: Cells, file: str, said: list[str]) -> Block | None:
    check_counts(file, len(filled) - 1, 0)
    laid = laid_out({n: list(map(text_of, cells)) for n, cells in filled}, said)
    (_, header), *below = laid.rows.items()
    names = [name.strip() for name in header]
    width = max([i + 1 for i, name in enumerate(names) if name], default=0)
    names = names[:width]
    if not below or not width:
        return None
    check_counts(file, len(below), width)
    repeated = sorted({name for name in names if name and names.count(name) > 1})
    if repeated:
        refuse(file, "the column stands there twice", "keep one of the two", column=repeated[0])
    square = [(cells + [""] * width)[:width] for _, cells in below]
    cells = pd.DataFrame(square, columns=names, dtype=object).loc[:, [n != "" for n in names]]
    return _dressed_down(cells, [f"{laid.one} {n}" for n, _ in below], laid, file, said)


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
