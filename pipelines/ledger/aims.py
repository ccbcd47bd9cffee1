"""What prints were meant to be: their targets, as text, kept with the batch that brought them.

A sheet of the batch beside its tables: it comes and is taken back with the prints, and nothing is
learnt from it. An export writes those of all prints as a table of their own, which an import takes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from pipelines.ledger.incoming import SHEET_PRINTS
from pipelines.ledger.state import Batch, Sheet
from pipelines.tables import csvfile
from pipelines.tables.cells import DECIMAL_COMMA
from pipelines.tables.reading import cells_of
from pipelines.tables.schema import AIMS
from pipelines.workspace.files import read_at_most
from pipelines.workspace.problems import Findings, UserError

COLUMNS = tuple(column.name for column in AIMS.columns)
Aims = Mapping[str, tuple[str, str]]  # print -> its target and tolerance


def aims_in(path: Path) -> dict[str, tuple[str, str]]:
    """The targets that a table of prints or set-ups names; empty for what is no such table."""
    if path.is_dir():
        return {}
    try:
        read = cells_of(read_at_most(path, csvfile.MAX_BYTES), SHEET_PRINTS, path.name, Findings())
    except UserError:  # an instrument's export
        return {}
    if read is None:
        return {}
    cells = read.cells.map(str.strip)
    key = next((c for c in ("print_id", "setup_id") if c in cells), None)
    lab = [f"target_{c}" for c in "Lab"]
    if key is None or not ("target" in cells or cells.columns.isin(lab).sum() == len(lab)):
        return {}
    found = {}
    for row in cells.to_dict("records"):
        *numbers, within = (_pointed(row.get(c, "")) for c in (*lab, "tolerance_dE00"))
        text = row.get("target", "") or (",".join(numbers) if all(numbers) else "")
        if row[key] and text:
            found[row[key]] = (text, within)
    return found


def _pointed(number: str) -> str:
    """
    >>> _pointed("45,5"), _pointed("-1.5"), _pointed("1,234,5")
    ('45.5', '-1.5', '1,234,5')
    """
    return number.replace(",", ".") if re.fullmatch(DECIMAL_COMMA, number) else number


def sheet_of(aims: Aims, prints: pd.DataFrame) -> dict[str, Sheet]:
    """The sheet of a batch that holds the aims of its ``prints``; none where they have none."""
    ids = prints["print_id"].str.strip()
    rows = [(one, *aims[one]) for one in ids if one in aims]
    if not rows:
        return {}
    return {AIMS.name: Sheet(pd.DataFrame(rows, columns=list(COLUMNS), dtype=object))}


def aims_of(batch: Batch) -> dict[str, tuple[str, str]]:
    """The aims that a batch holds."""
    if AIMS.name not in batch.sheets:
        return {}
    cells = batch.sheets[AIMS.name].cells.reindex(columns=list(COLUMNS), fill_value="")
    rows = cells.map(str.strip).itertuples(index=False)
    return {str(one): (str(text), str(within)) for one, text, within in rows}
