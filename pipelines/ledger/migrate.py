"""A database of form 1 (one wide table each for inks ... prints) as the first batch of form 2."""

from __future__ import annotations

import pandas as pd
import sqlalchemy as sa

from pipelines.ledger.state import IMPORT, Addition, Batch, Sheet
from pipelines.tables.folder import Given, digest_of
from pipelines.tables.schema import NEEDED_TABLES
from pipelines.workspace.problems import UserError

ROW, REASON = "sheet_row", "set_aside_because"


def from_form_1(connection: sa.Connection, label: str) -> Addition:
    """Read the tables of form 1 and take them out of the database, inside one transaction."""
    metadata = sa.MetaData()
    names = {"facts", *NEEDED_TABLES}
    metadata.reflect(connection, only=lambda name, _: name in names)
    if set(metadata.tables) != names:
        raise UserError(f"{label}: this is not a shop database; import the tables again.")
    facts = {key: value for key, value in connection.execute(sa.select(metadata.tables["facts"]))}
    tables, faults = {}, {}
    for name in NEEDED_TABLES:
        table = metadata.tables[name]
        rows = connection.execute(sa.select(table).order_by(table.c[ROW])).all()
        frame = pd.DataFrame(rows, columns=list(table.c.keys()), dtype=object).set_index(ROW)
        frame.index = pd.Index([int(row) for row in frame.index], dtype="int64")
        if REASON in frame:
            faults = {int(row): why for row, why in frame.pop(REASON).dropna().items()}
        tables[name] = frame
    given = Given(facts["name"], facts["shop_toml"], tables, faults)
    metadata.drop_all(connection)
    sheets = {name: Sheet(frame) for name, frame in tables.items()}
    sheets["prints"] = Sheet(tables["prints"], faults)
    counts = {name: len(frame) for name, frame in tables.items()} | {"set aside": len(faults)}
    return Addition(
        Batch(
            IMPORT,
            sheets,
            file="(kept by an earlier version)",
            sha256=digest_of(given),
            counts=counts,
            shop=given.name,
            shop_toml=given.shop_toml,
        )
    )
