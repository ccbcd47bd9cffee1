"""A workbook of the whole shop that comes to be recorded: what is new in it, what else differs."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import replace
from datetime import date

import pandas as pd

from pipelines.ledger.incoming import Incoming
from pipelines.tables.cells import typed
from pipelines.tables.folder import Given, known_in
from pipelines.tables.layout import rows_in_words
from pipelines.tables.names import Known, with_ids
from pipelines.tables.schema import CHANGES, SHOP_TABLES, Table

DESCRIBED = ("inks", "substrates", "meshes", "presses", "changes", "drawdowns")


def only_new(given: Given, incoming: Incoming) -> Incoming:
    """Of the sheets that describe things, the rows of things the shop does not know yet.

    Drawdowns are taken of new inks alone. A row that stands in the shop with other values is told
    and left to ``strikeoff import``.
    """
    tables, said = dict(incoming.tables), list(incoming.said)
    known = known_in(given.tables)
    for name in DESCRIBED:
        if name not in tables or name not in given.tables:
            continue
        if name == CHANGES.name:
            continue  # a row that says something else is another change
        cells, table = tables.pop(name), SHOP_TABLES[name]
        subject = table.key or "ink_id"
        cells, _ = with_ids(table, cells, known)
        there = (
            cells[subject].str.strip().isin(given.tables[name if table.key else "inks"][subject])
        )
        differs = _differing(table, cells[there], given.tables[name], known)
        if differs:
            said.append(
                f"{incoming.files[name]}: {rows_in_words(differs)} "
                f"{'differs' if len(differs) == 1 else 'differ'} from what the shop holds, which "
                "stays; strikeoff import of the workbook changes it."
            )
        if not there.all():
            tables[name] = cells[~there]
    return replace(incoming, tables=tables, said=said)


def _differing(table: Table, cells: pd.DataFrame, held: pd.DataFrame, known: Known) -> list[int]:
    """The rows whose values, in the columns the sheet has, are those of no row of the shop."""
    columns = [column for column in cells if column in held]
    held, _ = with_ids(table, held, known)
    same = set(_values(table, held[columns]).values())
    new = [column for column in cells if column not in held]
    filled = (cells[new].map(str.strip) != "").any(axis=1)
    values = _values(table, cells[columns])
    return [int(row) for row in cells.index if filled[row] or values[int(row)] not in same]


def _values(table: Table, cells: pd.DataFrame) -> dict[int, Hashable]:
    """What each row says, a number the same however it is written; what is unreadable as text."""
    frame, _ = typed(table, cells, table.file, date.today())
    return {
        int(row): tuple(
            (column, frame.loc[row, column] if pd.notna(frame.loc[row, column]) else text.strip())
            for column, text in cells.loc[row].items()
        )
        for row in cells.index
    }
