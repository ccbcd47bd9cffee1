"""Databases of earlier forms, brought to the present one inside one transaction.

Form 1, one wide table each for inks ... prints, becomes the first batch of form 2. On a server form
2 becomes form 3, which holds the shop's models as well.
"""

from __future__ import annotations

import pandas as pd
import sqlalchemy as sa

from pipelines.ledger.database import AGAIN, FACTS, FORM, FORM_MODELS, OF_MODELS, SEALS
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
        raise UserError(f"{label}: this is not a shop database or it is damaged; {AGAIN}")
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


def with_models(connection: sa.Connection, label: str) -> None:
    """Give a database of form 2 the tables of the shop's models, inside one transaction.

    Whoever may read or add to its batches may do so with these. A program that does not know them
    is told of the form from now on: it would learn beside them. Raises UserError without the right
    to make tables.
    """
    may = sa.text("SELECT has_schema_privilege(current_schema(), 'CREATE')")
    if not connection.execute(may).scalar():
        raise UserError(
            f"{label}: the tables for the shop's models cannot be made, as this user may make "
            "none; let the owner of the database run strikeoff models once."
        )
    there = sa.inspect(connection).get_table_names()
    made = [table for table in (*OF_MODELS.sorted_tables, SEALS) if table.name not in there]
    for table in made:
        table.create(connection)
    held = sa.text(
        "SELECT grantee, privilege_type FROM information_schema.role_table_grants WHERE "
        "table_schema = current_schema() AND table_name = 'batches' AND grantee <> current_user "
        "AND privilege_type IN ('SELECT', 'INSERT')"
    )
    quoted = connection.dialect.identifier_preparer.quote_identifier
    for grantee, right in connection.execute(held).all():
        to = grantee if grantee == "PUBLIC" else quoted(grantee)
        names = ", ".join(table.name for table in made)
        connection.exec_driver_sql(f"GRANT {right} ON {names} TO {to}")
    form = FACTS.update().where(FACTS.c.key == "format", FACTS.c.value == FORM)
    connection.execute(form.values(value=FORM_MODELS))
