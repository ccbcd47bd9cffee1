"""A checksum for every batch and decision: what comes out of the database is what went in.

SQLite has none of its own, and a flipped bit within a cell is a sound cell to it. A seal is added
with what it is of, by whoever writes; what an earlier version stored is sealed by the next writer.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from pipelines.ledger.database import (
    BATCHES,
    CHARGES,
    DECISIONS,
    FORECASTS,
    LINES,
    READINGS,
    SEALS,
    SHEETS,
    Source,
    label,
)
from pipelines.workspace.problems import Kind, UserError

# The first column of each is the number of what a row belongs to.
OF = {
    BATCHES: "batch",
    SHEETS: "batch",
    LINES: "batch",
    READINGS: "batch",
    DECISIONS: "decision",
}
# What a shop on a server keeps with its models: each row has a seal of its own.
OF_MODELS = {CHARGES: "charge", FORECASTS: "forecast"}
Rows = Mapping[sa.Table, Sequence[sa.Row]]


def rows(connection: sa.Connection, numbers: Mapping[str, Iterable[int]] | None = None) -> Rows:
    """Every row of the tables that are sealed; or those of some batches and decisions alone."""
    found = {}
    for table, of in OF.items():
        query = sa.select(table)
        if numbers is not None:
            query = query.where(next(iter(table.c)).in_(list(numbers[of])))
        found[table] = connection.execute(query).all()
    return found


def digests(found: Mapping[sa.Table, Sequence[Sequence[Any]]]) -> dict[str, str]:
    """``batch 3`` -> SHA-256 over all its rows, in whatever order they come."""
    marks: dict[str, list[bytes]] = {}
    for table, its_rows in found.items():
        of = (OF | OF_MODELS)[table]
        for row in its_rows:
            text = json.dumps([table.name, *row])
            mark = hashlib.sha256(text.encode()).digest()
            marks.setdefault(f"{of} {row[0]}", []).append(mark)
    return {name: hashlib.sha256(b"".join(sorted(each))).hexdigest()
            for name, each in marks.items()}  # fmt: skip


def check(connection: sa.Connection, found: Rows, source: Source) -> None:
    """Raises UserError where something is not what was sealed.

    Whoever seals seals everything: beside seals, what has none was put in by another hand.
    """
    try:
        now = digests(found)
    except (TypeError, ValueError) as error:  # a cell of a type that nobody stored
        raise damaged(source, "it") from error
    sealed = _sealed(connection)
    for name in sorted(sealed.keys() | now.keys() if sealed else ()):
        if now.get(name) != sealed.get(name):
            raise damaged(source, name)


def damaged(source: Source, what: str) -> UserError:
    """What to say of a database that no longer holds what was stored."""
    return UserError(
        f"{label(source)}: is damaged ({what} is not what was stored); put back a copy of it, or "
        "import the tables again.",
        Kind.DAMAGED,
    )


def seal(connection: sa.Connection) -> None:
    """Seal every batch and decision that is not sealed yet."""
    SEALS.create(connection, checkfirst=True)
    done = _sealed(connection)
    open_: dict[str, list[int]] = {"batch": [], "decision": []}
    for table, of in ((BATCHES, "batch"), (DECISIONS, "decision")):
        ids = connection.execute(sa.select(table.c.id)).scalars()
        open_[of] = [number for number in ids if f"{of} {number}" not in done]
    made = digests(rows(connection, open_))
    if made:
        records = [{"of": name, "sha256": digest} for name, digest in made.items()]
        connection.execute(SEALS.insert(), records)


def _sealed(connection: sa.Connection) -> dict[str, str]:
    if not sa.inspect(connection).has_table(SEALS.name):
        return {}
    return {
        of: seal
        for of, seal in connection.execute(sa.select(SEALS.c.of, SEALS.c.sha256))
        if of.split(" ")[0] not in OF_MODELS.values()
    }


def of_models(connection: sa.Connection, table: sa.Table) -> dict[int, str]:
    """The seals of a table of `OF_MODELS`, by the number of the row."""
    kind = OF_MODELS[table]
    query = sa.select(SEALS.c.of, SEALS.c.sha256).where(SEALS.c.of.like(f"{kind} %"))
    found = {of.removeprefix(f"{kind} "): seal for of, seal in connection.execute(query)}
    return {int(number): seal for number, seal in found.items() if number.isdecimal()}


def add(connection: sa.Connection, table: sa.Table, values: Iterable[Sequence[object]]) -> None:
    """Add sealed rows to a table of `OF_MODELS`, numbered on from the last one."""
    last = connection.execute(sa.select(sa.func.max(table.c.id))).scalar() or 0
    first = max(last, *of_models(connection, table), 0) + 1
    found = [(number, *row) for number, row in enumerate(values, first)]
    if found:
        keys = table.c.keys()
        connection.execute(table.insert(), [dict(zip(keys, row, strict=True)) for row in found])
        marks = [{"of": of, "sha256": seal} for of, seal in digests({table: found}).items()]
        connection.execute(SEALS.insert(), marks)
