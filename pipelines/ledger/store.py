"""A shop's ledger in its database: read whole, added to by one transaction at a time.

Cells are kept as the text that was handed over (an empty one as empty), because a print that
is set aside may hold anything and because an export must give back what was imported. Columns
are typed on opening, by the code that checked them on import (`pipelines.tables.folder`).
"""

from __future__ import annotations

import getpass
import json
import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import sqlalchemy as sa

from pipelines.ledger import database, seals
from pipelines.ledger.database import BATCHES, DECISIONS, FACTS, LINES, READINGS, SHEETS, Source
from pipelines.ledger.migrate import from_form_1
from pipelines.ledger.state import (
    IMPORT,
    Addition,
    Batch,
    Decision,
    Ledger,
    Sheet,
    State,
    current,
    decisions_of,
)
from pipelines.tables.folder import Given, digest_of, to_shop
from pipelines.tables.schema import AIMS, TARGETS
from pipelines.workspace.files import beside, refuse_unwritable
from pipelines.workspace.problems import Kind, UserError, printable

TRIES = 50  # so often may others have written while a change was being worked out
Plan = Callable[[Ledger], Addition | None]


def save(given: Given, source: Source, *, file: str = "") -> int | None:
    """Import a shop's tables: what was imported before is superseded, and kept.

    Returns the number of the batch; None when just these tables were imported last.
    """
    sheets = {name: Sheet(frame) for name, frame in given.tables.items()}
    sheets["prints"] = replace(sheets["prints"], faults=dict(given.set_aside))
    if given.targets is not None:
        sheets[TARGETS.name] = Sheet(given.targets)
    if given.aims is not None:
        sheets[AIMS.name] = Sheet(given.aims)
    counts = {name: len(sheet.cells) for name, sheet in sheets.items()}
    counts["set aside"] = len(given.set_aside)
    batch = Batch(
        IMPORT,
        sheets,
        file=file,
        sha256=digest_of(given),
        counts=counts,
        shop=given.name,
        shop_toml=given.shop_toml,
    )

    decided = decisions_of(given)

    def plan(ledger: Ledger) -> Addition | None:
        states = ledger.states()
        imports = [b for b in ledger.batches if b.command == IMPORT and states[b.id]]
        if imports and (imports[-1].sha256, imports[-1].shop) == (batch.sha256, batch.shop):
            return None
        told = {(made.print_id, made.judged) for made in ledger.decisions}
        new = [one for one in decided if (one.print_id, one.judged) not in told]
        return Addition(batch, tuple(new))  # what was decided here holds

    if isinstance(source, Path) and not source.is_file():
        with suppress(FileExistsError):  # another import was first: add to what it made
            return _create(source, Addition(batch, decided))
    done = change(source, plan, create=not isinstance(source, Path))
    return done.batch.id if done and done.batch else None


def make_room(path: Path) -> Path | None:
    """Move what is no shop's database, or a damaged one, away; where it is kept, None if fine."""
    if not path.is_file():
        return None
    try:
        with database.reading(path) as connection:
            found = database.form(connection)
            if found in database.FORMS:
                _read(connection, path)
            if found is not None:
                return None
    except UserError as error:
        if error.kind != Kind.DAMAGED:
            raise
    kept = path.with_name(f"{path.name}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%S}")
    path.rename(kept)
    return kept


def change(source: Source, plan: Plan, *, create: bool = False) -> Addition | None:
    """Add what ``plan`` makes of the ledger as it is; None when it finds nothing to add.

    The plan is made without a lock. Should somebody else write meanwhile, it is made again on
    what then holds. What would not leave a shop that can be used is refused before it is stored.
    """
    for _ in range(TRIES):
        ledger = read_ledger(source, create=create)
        addition = plan(ledger)
        if addition is None:
            return None
        done = ledger.numbered(addition, now(), who())
        to_shop(current(ledger + done).given)
        with database.writing(source) as connection:
            if create:
                _prepare(connection, source)
            if _stamp(connection) == ledger.stamp:
                _insert(connection, done)
                return done
    raise UserError(f"{database.label(source)}: others write to it without a pause; try again.")


def read_ledger(source: Source, *, create: bool = False) -> Ledger:
    """Everything in the database; a database of form 1 is brought to the present form first.

    Raises UserError when there is none, or it is not a shop's, or of another version.
    """
    if isinstance(source, Path) and not source.is_file():
        raise UserError(f"{source}: there is no shop database; run strikeoff import first.")
    with database.reading(source) as connection:
        found = database.form(connection)
        if found in database.FORMS:
            return _read(connection, source)
        if create and found is None:
            return Ledger()
        if found != database.FORM_1:
            database.refuse_form(source, found)
    with database.writing(source) as connection:
        if database.form(connection) == database.FORM_1:  # and nobody else was first
            old = from_form_1(connection, database.label(source))
            _prepare(connection, source)
            _insert(connection, Ledger().numbered(old, now(), ""))
        return _read(connection, source)


def read_state(source: Source) -> State:
    """What holds now, and where every print stands."""
    ledger = read_ledger(source)
    if not ledger.batches:
        raise UserError(f"{database.label(source)}: holds no tables; run strikeoff import first.")
    return current(ledger)


def read(source: Source) -> Given:
    """The tables as they hold now: imported, recorded, corrected."""
    return read_state(source).given


def stamp(source: Source) -> str:
    """A short text that changes whenever anything is added to a database on a server."""
    with database.reading(source) as connection:
        database.refuse_form(source, database.form(connection))
        made = connection.execute(sa.select(BATCHES.c.at).where(BATCHES.c.id == 1)).scalar()
        return f"{made} {_stamp(connection)}"


def _create(path: Path, first: Addition) -> int:
    """Make the file beside and put it into place whole.

    Raises FileExistsError if there is one by then.
    """
    refuse_unwritable(path.parent)
    done = Ledger().numbered(first, now(), who())
    assert done.batch is not None
    to_shop(current(Ledger() + done).given)
    with beside(path, replace=False) as fresh, database.writing(fresh, create=True) as connection:
        _prepare(connection, fresh)
        _insert(connection, done)
    return done.batch.id


def _prepare(connection: sa.Connection, source: Source) -> None:
    """The tables of the present form, where they are not there yet."""
    found = database.form(connection)
    if found in database.FORMS:
        return
    if found is not None:
        database.refuse_form(source, found)
    database.METADATA.create_all(connection)
    connection.execute(FACTS.insert(), {"key": "format", "value": database.FORM})


def _stamp(connection: sa.Connection) -> tuple[int, int]:
    def last(table: sa.Table) -> int:
        return connection.execute(sa.select(sa.func.max(table.c.id))).scalar() or 0

    return last(BATCHES), last(DECISIONS)


def _insert(connection: sa.Connection, done: Addition) -> None:
    if (batch := done.batch) is not None:
        record = {column.name: getattr(batch, column.name) for column in BATCHES.columns}
        connection.execute(BATCHES.insert(), record | {"counts": json.dumps(batch.counts)})
        for name, sheet in batch.sheets.items():
            columns = json.dumps(list(sheet.cells.columns))
            connection.execute(
                SHEETS.insert(), {"batch": batch.id, "sheet": name, "columns": columns}
            )
            if rows := list(_lines(batch.id, name, sheet)):
                connection.execute(LINES.insert(), rows)
        names = ("print_id", "number", "place", "colour")
        if batch.readings:
            connection.execute(
                READINGS.insert(),
                [{"batch": batch.id, **dict(zip(names, r, strict=True))} for r in batch.readings],
            )
    if done.decisions:
        connection.execute(
            DECISIONS.insert(),
            [
                asdict(d) | {"old": json.dumps(d.old), "new": json.dumps(d.new)}
                for d in done.decisions
            ],
        )
    seals.seal(connection)


def _lines(batch: int, name: str, sheet: Sheet) -> Iterable[dict[str, object]]:
    frame = sheet.cells
    for row, cells in zip(map(int, frame.index), frame.to_numpy(dtype=object), strict=True):
        yield {
            "batch": batch,
            "sheet": name,
            "row": row,
            "cells": json.dumps(cells.tolist(), ensure_ascii=False),
            "fault": sheet.faults.get(row),
            "spread": sheet.spreads.get(row),
        }


def _read(connection: sa.Connection, source: Source) -> Ledger:
    """Everything, checked against its seals."""
    rows = seals.rows(connection)
    seals.check(connection, rows, source)
    try:
        return _ledger(rows)
    except (ValueError, TypeError, KeyError) as error:  # of a version that did not seal
        raise seals.damaged(source, "a row") from error


def _ledger(rows: seals.Rows) -> Ledger:
    sheets: dict[int, dict[str, Sheet]] = {}
    lines: dict[tuple[int, str], list[sa.Row]] = {}
    for line in sorted(rows[LINES], key=lambda line: line.row):
        lines.setdefault((line.batch, line.sheet), []).append(line)
    for batch, name, columns in rows[SHEETS]:
        own = lines.get((batch, name), [])
        frame = pd.DataFrame(
            [json.loads(line.cells) for line in own],
            index=pd.Index([line.row for line in own], dtype="int64"),
            columns=json.loads(columns),
            dtype=object,
        )
        faults = {line.row: line.fault for line in own if line.fault is not None}
        spreads = {line.row: line.spread for line in own if line.spread is not None}
        sheets.setdefault(batch, {})[name] = Sheet(frame, faults, spreads)
    readings: dict[int, list[tuple[str, int, str, str]]] = {}
    for batch, *reading in sorted(rows[READINGS], key=lambda row: (row.print_id, row.number)):
        readings.setdefault(batch, []).append(tuple(reading))
    batches = tuple(
        Batch(
            sheets=sheets.get(row.id, {}),
            readings=tuple(readings.get(row.id, ())),
            **(row._asdict() | {"counts": json.loads(row.counts), "file": printable(row.file)}),
        )
        for row in sorted(rows[BATCHES], key=lambda row: row.id)
    )
    decisions = tuple(
        Decision(
            **row._asdict()
            | {"old": json.loads(row.old), "new": json.loads(row.new)}
            | {"reason": printable(row.reason)}
        )
        for row in sorted(rows[DECISIONS], key=lambda row: row.id)
    )
    return Ledger(batches, decisions)


def now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def who() -> str:
    """Who is at the keyboard; the number of the user where the name cannot be found."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"user {os.getuid()}" if hasattr(os, "getuid") else ""
