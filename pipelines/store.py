"""A shop's data in one database: tables as given, nothing lost on the way in or out.

Cells are kept as the text that was handed over (an empty one as empty), because a print that
is set aside may hold anything and because an export must give back what was imported. Columns
are typed on opening, by the code that checked them on import (`pipelines.tables`).
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pandas as pd
import sqlalchemy as sa

from learn.shop import Shop
from pipelines.files import beside
from pipelines.problems import UserError
from pipelines.schema import SHOP_TABLES
from pipelines.tables import Given, to_shop

FORMAT = "strikeoff shop 1"
ROW, REASON = "sheet_row", "set_aside_because"


def save(given: Given, path: Path) -> None:
    """Write a shop's database file: built beside, then renamed over the old one."""
    with beside(path) as fresh:
        try:
            write(given, f"sqlite:///{fresh}")
        except sa.exc.OperationalError as error:  # a full disk, a folder taken away
            message = f"{path}: cannot be written ({error.orig}); make room on the disk."
            raise UserError(message) from error


def write(given: Given, url: str | sa.URL) -> None:
    """Replace the shop at any database URL in one transaction."""
    engine = sa.create_engine(url)
    try:
        with engine.begin() as connection:
            old = sa.MetaData()
            old.reflect(connection, only=lambda name, _: name in _names())
            old.drop_all(connection)
            new = sa.MetaData()
            facts = sa.Table("facts", new, _text("key", primary_key=True), _text("value"))
            tables = {name: _table(new, name, frame) for name, frame in given.tables.items()}
            new.create_all(connection)
            entries = {"format": FORMAT, "name": given.name, "shop_toml": given.shop_toml}
            connection.execute(facts.insert(), [{"key": k, "value": v} for k, v in entries.items()])
            for name, table in tables.items():
                if rows := list(_rows(name, given)):
                    connection.execute(table.insert(), rows)
    finally:
        engine.dispose()


def read(source: Path | str | sa.URL) -> Given:
    """The tables as given, from a database file or URL.

    Raises UserError when there is none, or when it is not a shop's.
    """
    if isinstance(source, Path):
        if not source.is_file():
            raise UserError(f"{source}: there is no shop database; run strikeoff import first.")
        url, label = f"sqlite:///file:{source.absolute().as_posix()}?mode=ro&uri=true", str(source)
    else:
        url, label = source, sa.make_url(source).render_as_string(hide_password=True)
    engine = sa.create_engine(url)
    try:
        with engine.connect() as connection:
            return _read(connection, label)
    except sa.exc.SQLAlchemyError as error:
        message = f"{label}: this is not a shop database or it is damaged; import the tables again."
        raise UserError(message) from error
    finally:
        engine.dispose()


def load_shop(source: Path | str | sa.URL) -> Shop:
    """The shop as `learn` takes it, without the prints that were set aside."""
    return to_shop(read(source))


def _read(connection: sa.Connection, label: str) -> Given:
    metadata = sa.MetaData()
    metadata.reflect(connection, only=lambda name, _: name in _names())
    if set(metadata.tables) != _names():
        raise UserError(f"{label}: this is not a shop database; import the tables again.")
    facts = {key: value for key, value in connection.execute(sa.select(metadata.tables["facts"]))}
    if facts.get("format") != FORMAT:
        raise UserError(
            f"{label}: was written by another version (format {facts.get('format')!r}, this "
            f"one reads {FORMAT!r}); import the tables again."
        )
    tables, set_aside = {}, {}
    for name in SHOP_TABLES:
        table = metadata.tables[name]
        rows = connection.execute(sa.select(table).order_by(table.c[ROW])).all()
        frame = pd.DataFrame(rows, columns=list(table.c.keys()), dtype=object).set_index(ROW)
        frame.index = pd.Index([int(row) for row in frame.index], dtype="int64")
        if REASON in frame:
            reasons = frame.pop(REASON).dropna()
            set_aside = {int(row): why for row, why in reasons.items()}
        tables[name] = frame
    return Given(facts["name"], facts["shop_toml"], tables, set_aside)


def _names() -> set[str]:
    return {"facts", *SHOP_TABLES}


def _text(name: str, **more: bool) -> sa.Column:
    return sa.Column(name, sa.Text, **more)


def _table(metadata: sa.MetaData, name: str, frame: pd.DataFrame) -> sa.Table:
    row = sa.Column(ROW, sa.Integer, primary_key=True, autoincrement=False)
    columns = [row, *map(_text, frame.columns)]
    if name == "prints":
        columns.append(_text(REASON))
    return sa.Table(name, metadata, *columns)


def _rows(name: str, given: Given) -> Iterable[dict[str, object]]:
    frame = given.tables[name]
    for row, cells in zip(frame.index, frame.to_numpy(dtype=object).tolist(), strict=True):
        record = {ROW: int(row), **dict(zip(frame.columns, cells, strict=True))}
        yield record | ({REASON: given.set_aside.get(int(row))} if name == "prints" else {})
