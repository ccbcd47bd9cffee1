"""A shop's database, SQLite file or PostgreSQL server: opened, locked, errors made sentences.

Nothing in it is ever changed or deleted: every table only grows (`pipelines.ledger.state` says what
the rows mean together). Whoever writes holds the one lock from before it reads the last
number to its commit, so that two writers at once both land.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

import sqlalchemy as sa

from pipelines.workspace.problems import Kind, UserError

Source = Path | str  # a database file, or the URL of a database on a server

FORM = "strikeoff shop 2"
FORM_1 = "strikeoff shop 1"
FORM_MODELS = "strikeoff shop 3"  # on a server alone: it holds the shop's models as well
FORMS = (FORM, FORM_MODELS)
WAIT_S = 30  # for others who are writing
AGAIN = "put a copy of it back, or import the tables again."
_NO_SHOP = f"this is not a shop database or it is damaged; {AGAIN}"
_LOCK = 0x57121CE0FF  # any number of our own, the same in all versions

METADATA, OF_MODELS = sa.MetaData(), sa.MetaData()


def _table(name: str, *columns: sa.Column, of: sa.MetaData = METADATA) -> sa.Table:
    return sa.Table(name, of, *columns)


def _number(name: str, key: bool = False) -> sa.Column:
    return sa.Column(name, sa.Integer, primary_key=key, nullable=not key, autoincrement=False)


def _text(name: str, key: bool = False) -> sa.Column:
    return sa.Column(name, sa.Text, primary_key=key, nullable=not key)


FACTS = _table("facts", _text("key", key=True), _text("value"))
# What came in at one time. at: UTC, ISO; counts: JSON; shop, shop_toml: of an import.
BATCHES = _table(
    "batches",
    _number("id", key=True),
    *map(_text, ("at", "who", "command", "file", "sha256", "counts", "condition", "backing")),
    *map(_text, ("shop", "shop_toml")),
)
# The tables of a batch: column names, JSON; one line a row, cells as text, JSON.
SHEETS = _table("sheets", _number("batch", key=True), _text("sheet", key=True), _text("columns"))
LINES = _table(
    "lines",
    _number("batch", key=True),
    _text("sheet", key=True),
    _number("row", key=True),
    *map(_text, ("cells", "fault", "spread")),
)
# Every reading behind a print's mean colour: colour is JSON, column -> number.
READINGS = _table(
    "readings",
    _number("batch", key=True),
    _text("print_id", key=True),
    _number("number", key=True),
    *map(_text, ("place", "colour")),
)
# What was decided on a print or a batch. judged: SHA-256 of the cells it was decided on.
DECISIONS = _table(
    "decisions",
    _number("id", key=True),
    *map(_text, ("at", "who", "what")),
    _number("batch"),
    *map(_text, ("print_id", "reason")),
    sa.Column("distance", sa.Float),
    *map(_text, ("judged", "old", "new")),
)
# What a batch or decision was when stored: "batch 3" -> SHA-256 (`pipelines.ledger.seals`).
SEALS = _table("seals", _text("of", key=True), _text("sha256"))
# The versions of a shop's model (`pipelines.registry.in_database`): its JSON, and the name under
# which its arrays lie in parts. was: the seal it had on the computer that it was taken over from.
MODELS = _table(
    "models",
    _number("version", key=True),
    *map(_text, ("seal", "was", "arrays")),
    sa.Column("facts", sa.LargeBinary),
    of=OF_MODELS,
)
PARTS = _table(
    "model_parts",
    _text("arrays", key=True),
    _number("part", key=True),
    sa.Column("data", sa.LargeBinary),
    of=OF_MODELS,
)
# Which version was put in charge, and its seal then: the last one counts.
CHARGES = _table(
    "charges",
    _number("id", key=True),
    *map(_text, ("at", "who")),
    _number("version"),
    _text("seal"),
    of=OF_MODELS,
)
# The report card, a line of it a row.
FORECASTS = _table("forecasts", _number("id", key=True), _text("line"), of=OF_MODELS)


def label(source: Source) -> str:
    """What to call the database in a message; never shows a password."""
    if isinstance(source, Path):
        return str(source)
    url = _url(source)
    host = url.host or url.query.get("host") or ""
    port = f":{url.port}" if url.port else ""
    user = f"{url.username}@" if url.username else ""
    return f"{url.drivername}://{user}{host}{port}/{url.database or ''}"


def _url(source: str) -> sa.URL:
    """The URL in parts; raises UserError, showing nothing of it, where it may be misread."""
    with suppress(sa.exc.ArgumentError, ValueError):  # ValueError: a port that is no number
        if source.count("@") < 2:
            return sa.make_url(source)
    raise UserError(
        "The URL of the database cannot be read: write postgresql://user@server:5432/shop, with a "
        "port that is a number; a password stands behind the user and a colon, its own @ : / ? # "
        "as %40 %3A %2F %3F %23."
    )


@contextmanager
def reading(source: Source) -> Iterator[sa.Connection]:
    """A connection that sees one state of the database from beginning to end."""
    with _connected(source, "BEGIN", "REPEATABLE READ") as connection:
        yield connection


@contextmanager
def writing(
    source: Source, *, create: bool = False, locked: bool = True
) -> Iterator[sa.Connection]:
    """The one writer's connection: committed at the end, or nothing of it has happened.

    Not ``locked`` on a server it is one of many, until it calls `lock`.
    """
    with _connected(source, "BEGIN IMMEDIATE", "READ COMMITTED", create=create) as connection:
        if locked:
            lock(connection)
        yield connection


def lock(connection: sa.Connection) -> None:
    """Be the one writer from now to the end of the transaction; a file's is that already."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.text(f"SET LOCAL lock_timeout = '{WAIT_S}s'"))
        connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({_LOCK})"))


def form(connection: sa.Connection) -> str | None:
    """The form the database says it has; None where it holds no table of a shop's."""
    if connection.dialect.name == "postgresql":  # quicker than to ask for all tables
        there = connection.execute(sa.select(sa.func.to_regclass(FACTS.name))).scalar() is not None
    else:
        there = sa.inspect(connection).has_table(FACTS.name)
    if not there:
        return None
    query = sa.select(FACTS.c.value).where(FACTS.c.key == "format")
    return connection.execute(query).scalar()


def refuse_form(source: Source, found: str | None) -> None:
    """Raises UserError unless the form is one that this version reads."""
    if found in FORMS:
        return
    if found is None:
        raise UserError(f"{label(source)}: {_NO_SHOP}", Kind.DAMAGED)
    raise UserError(
        f"{label(source)}: was written by another version (format {found!r}, this one reads "
        f"{FORM!r} and {FORM_MODELS!r}); use that version, or import the tables again into another "
        "workspace."
    )


@contextmanager
def _connected(
    source: Source, begin: str, isolation: str, create: bool = False
) -> Iterator[sa.Connection]:
    engine = None
    with _told(source):
        try:
            engine = _engine(source, begin, isolation, create)
            with engine.begin() as connection:
                yield connection
        finally:
            if engine is not None:
                engine.dispose()


def _engine(source: Source, begin: str, isolation: str, create: bool) -> sa.Engine:
    if isinstance(source, Path):
        address = f"file:{quote(str(source.absolute()))}?mode={'rwc' if create else 'rw'}"

        def connect() -> sqlite3.Connection:
            # The module's own transactions leave CREATE TABLE outside: begun by hand below.
            return sqlite3.connect(address, uri=True, timeout=WAIT_S, isolation_level=None)

        engine = sa.create_engine("sqlite://", creator=connect, poolclass=sa.pool.NullPool)
        sa.event.listen(engine, "begin", lambda connection: connection.exec_driver_sql(begin))
        return engine
    url = _url(source)
    if url.get_backend_name() != "postgresql":
        raise UserError(f"{label(source)}: give a URL that begins with postgresql://.")
    return sa.create_engine(
        url.set(drivername="postgresql+psycopg"),
        isolation_level=isolation,
        poolclass=sa.pool.NullPool,
        connect_args={"connect_timeout": 10},
    )


@contextmanager
def _told(source: Source) -> Iterator[None]:
    """Errors of the database as one sentence each."""
    try:
        yield
    except ModuleNotFoundError as error:
        if error.name != "psycopg":
            raise
        raise UserError(
            f"{label(source)}: needs the package {error.name}; install it with "
            "pip install 'strikeoff[postgresql]'."
        ) from error
    except UnicodeDecodeError as error:  # of a name that the driver reads by itself
        raise UserError(f"{label(source)}: {_NO_SHOP}", Kind.DAMAGED) from error
    except sa.exc.DBAPIError as error:
        why = str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else "no answer"
        said, kind = _sentence(error, why)
        raise UserError(f"{label(source)}: {said}", kind) from error


def _sentence(error: sa.exc.DBAPIError, why: str) -> tuple[str, Kind]:
    """What to tell of the driver's own words, the only thing it gives."""
    told, kind = why.lower(), Kind.REFUSED
    if error.connection_invalidated:
        again = "give the command again once it answers: nothing is stored twice"
        return f"the connection to the server was lost ({why}); {again}.", kind
    if "password" in told or "authentication" in told or "no pg_hba" in told:
        return f"the server lets nobody in so ({why}); check user and password in the URL.", kind
    if re.search('(database|role) ".*" does not exist', told):
        return f"the server has none of that name ({why}); check the URL.", kind
    if "too many" in told or "connection slots" in told or "connection limit" in told:
        return f"the server has no room for one more ({why}); try again in a minute.", kind
    if "connection" in told and isinstance(error, sa.exc.OperationalError):
        return f"the server does not answer ({why}); check the URL and the server.", kind
    if "locked" in told or "lock timeout" in told or "busy" in told:
        return "others are writing to it and do not end; try again in a minute.", kind
    if any(word in told for word in ("full", "disk i/o", "no space", "file too large")):
        return f"cannot be written ({why}); make room on the disk; nothing was changed.", kind
    if "readonly" in told or "read-only" in told or "permission" in told:
        return f"may not be read or written ({why}); check the rights on it.", kind
    if any(word in told for word in ("malformed", "not a database", "no such", "decode")):
        return _NO_SHOP, Kind.DAMAGED
    if isinstance(error, sa.exc.OperationalError):
        return f"cannot be opened ({why}); check the path or the server and its rights.", kind
    return (
        f"this is not a shop database or it is damaged ({why}); {AGAIN}",
        Kind.DAMAGED,
    )
