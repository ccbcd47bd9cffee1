"""The models of a shop on a server: in its database, with copies of those used here in a folder.

Like everything in the database they are only ever added to: a version with its arrays in parts,
which one was put in charge, a line of the report card. What comes from a copy has the checksum that
the database has for it, else it is fetched anew. The lock is held to number a version, never to
learn one.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

import sqlalchemy as sa

from pipelines.ledger import database, seals
from pipelines.ledger.database import CHARGES, FORECASTS, MODELS, PARTS
from pipelines.ledger.model_rows import add_arrays, add_charge, add_version
from pipelines.registry.sealed import (
    ARRAYS,
    CARD,
    CURRENT,
    FACTS,
    MAX_ARRAYS,
    MAX_FACTS,
    OURS,
    Named,
    Overtaken,
    bytes_of,
    checked,
    not_told,
    number_after,
    seal_for,
)
from pipelines.registry.taking_over import is_left, take_over
from pipelines.workspace.files import beside
from pipelines.workspace.problems import Kind, UserError
from pipelines.workspace.progress import tell

COPIES = "copies"
KEPT = 4  # latest versions whose arrays are kept on a computer, beside those in use


class Row(NamedTuple):
    """A version, whose row never changes; ``arrays`` is what its parts are kept under."""

    seal: str
    arrays: str


class InDatabase:
    """An `Archive` (see there) in the database ``source``; ``folder`` is this computer's."""

    def __init__(self, source: str, folder: Path) -> None:
        self.source, self.folder = source, folder
        self._rows: dict[str, Row] = {}
        self._told = False

    def where(self, part: str = "") -> str:
        called = {"": "", CURRENT: ", what is in charge", CARD: ", report card"}
        return database.label(self.source) + called.get(part, f", model {part}")

    @contextmanager
    def _reading(self) -> Iterator[sa.Connection]:
        """A connection to a database that holds models, those of this computer with them."""
        if not is_left(self.folder):
            with database.reading(self.source) as connection:
                if database.form(connection) == database.FORM_MODELS:
                    yield connection
                    return
        take_over(self.source, self.folder)
        with database.reading(self.source) as connection:
            yield connection

    def names(self) -> list[str]:
        with self._reading() as connection:
            return self._index(connection)

    def _index(self, connection: sa.Connection) -> list[str]:
        query = sa.select(MODELS.c.version, MODELS.c.seal, MODELS.c.arrays)
        found = connection.execute(query.order_by(MODELS.c.version)).all()
        self._rows = {f"{row.version:04d}": Row(row.seal, row.arrays) for row in found}
        return [name for name in self._rows if OURS.fullmatch(name)]

    def _row(self, name: str) -> Row:
        if name not in self._rows:
            self.names()
        if name not in self._rows:
            msg = "no such version"
            raise ValueError(msg)
        return self._rows[name]

    def sealed(self, name: str) -> str:
        return self._row(name).seal

    def facts(self, name: str) -> bytes:
        seal = self._row(name).seal

        def fits(data: bytes) -> bool:
            return seal_for(name, data) == seal

        def fetched(connection: sa.Connection) -> bytes:
            query = sa.select(MODELS.c.facts).where(MODELS.c.version == int(name))
            return connection.execute(query).scalar() or b""

        return self._copied(name, FACTS, MAX_FACTS, fits, fetched)

    def arrays(self, name: str, sha256: str) -> bytes:
        key = self._row(name).arrays

        def fits(data: bytes) -> bool:
            with suppress(ValueError):
                return checked(data, sha256) is data
            return False

        def fetched(connection: sa.Connection) -> bytes:
            query = sa.select(PARTS.c.data).where(PARTS.c.arrays == key).order_by(PARTS.c.part)
            parts = io.BytesIO()
            for (part,) in connection.execute(query.execution_options(yield_per=1)):
                parts.write(part)
                if parts.tell() > MAX_ARRAYS:
                    break
            return parts.getvalue()

        return self._copied(name, ARRAYS, MAX_ARRAYS, fits, fetched)

    def _copied(
        self,
        name: str,
        file: str,
        most: int,
        fits: Callable[[bytes], bool],
        fetched: Callable[[sa.Connection], bytes],
    ) -> bytes:
        """A file of a version: the copy that is here, if it fits, else fetched and copied."""
        copy, damaged = self.folder / COPIES / name / file, False
        with suppress(OSError, ValueError):
            data = bytes_of(copy, most)
            if fits(data):
                return data
            damaged = True
        with self._reading() as connection:
            data = fetched(connection)
        if not fits(data):
            msg = "checksum"
            raise ValueError(msg)
        if damaged:
            tell([f"{copy} was not what was stored; it has been fetched anew."])
        self._copy(copy, data)
        return data

    def _copy(self, path: Path, data: bytes) -> None:
        """Keep a copy; where that cannot be, it is fetched each time, which is told once."""
        try:
            with beside(path) as fresh:
                fresh.write_bytes(data)
        except (OSError, UserError) as error:
            if not self._told:
                why = getattr(error, "strerror", None) or str(error).rstrip(".")
                tell([
                    f"{path.parent}: no copy of the model can be kept here ({why}), so that it is "
                    "fetched from the database each time."
                ])  # fmt: skip
            self._told = True
        else:
            if path.name == ARRAYS:
                with suppress(UserError):  # the database has gone: another time
                    self._drop_old(path.parent.name)

    def _drop_old(self, just: str) -> None:
        """Copies of arrays go but for those in charge, copied ``just`` now and of the latest
        versions; who reads one meanwhile reads on, or fetches it. What is said of a version is
        short, and is looked at again: it stays."""
        copies = self.folder / COPIES
        found = [one.parent.name for one in copies.glob(f"*/{ARRAYS}")]
        there = sorted(filter(OURS.fullmatch, found), key=int)
        if len(there) <= KEPT:
            return
        with self._reading() as connection:
            query = sa.select(CHARGES.c.version).order_by(CHARGES.c.id.desc()).limit(1)
            in_charge = f"{connection.execute(query).scalar() or 0:04d}"
        for name in there[:-KEPT]:
            if name not in (just, in_charge):
                with suppress(OSError):
                    (copies / name / ARRAYS).unlink()

    def current(self) -> Named | None:
        with self._reading() as connection:
            query = sa.select(CHARGES).order_by(CHARGES.c.id.desc()).limit(1)
            last = connection.execute(query).first()
            known = seals.of_models(connection, CHARGES)
            names = self._index(connection)
        if last is None:
            if not names:
                return None
            raise not_told(self.where(CURRENT), "is missing")
        sealed = {f"charge {n}": known[n] for n in sorted(known)[-1:]}
        if seals.digests({CHARGES: [last]}) != sealed:
            raise not_told(self.where(CURRENT), "is damaged")
        return Named(f"{last.version:04d}", last.seal)

    def mark(self) -> str:
        with self._reading() as connection:
            return _mark(connection)

    def waiting(self) -> list[str]:
        return []  # a version arrives in charge, by one transaction

    def add(self, facts: bytes, arrays: bytes, *, charge: bool, mark: str | None = None) -> str:
        self.names()  # takes over what this computer had, which would be numbered before
        with database.writing(self.source, locked=False) as connection:
            key = add_arrays(connection, arrays)  # may take its time: the lock comes after it
            database.lock(connection)
            _refuse_other(connection, mark)
            query = sa.select(MODELS.c.version)
            name = number_after([str(number) for number in connection.execute(query).scalars()])
            seal = seal_for(name, facts)
            add_version(connection, name, seal, facts, key)
            if charge:
                add_charge(connection, name, seal)
        for file, data in ((FACTS, facts), (ARRAYS, arrays)):
            self._copy(self.folder / COPIES / name / file, data)
        return name

    def put_in_charge(self, name: str, mark: str | None = None) -> str:
        seal = self.sealed(name)
        with database.writing(self.source) as connection:
            _refuse_other(connection, mark)
            add_charge(connection, name, seal)
            return _mark(connection)

    def card(self) -> bytes:
        with self._reading() as connection:
            return self._card(connection)

    def _card(self, connection: sa.Connection) -> bytes:
        """All lines from the first one there: where the table was emptied, a new card has begun."""
        rows = connection.execute(sa.select(FORECASTS).order_by(FORECASTS.c.id)).all()
        known = seals.of_models(connection, FORECASTS)
        sealed = {f"forecast {n}": seal for n, seal in known.items() if rows and n >= rows[0].id}
        if seals.digests({FORECASTS: rows}) != sealed:
            raise UserError(
                f"{self.where(CARD)}: is damaged (a line is not what was stored); put back a copy "
                f'of the database, or have its table "{FORECASTS.name}" emptied to begin anew.',
                Kind.DAMAGED,
            )
        return "".join(f"{row.line}\n" for row in rows).encode()

    def add_to_card(self, more: Callable[[bytes], list[str] | None]) -> bool:
        with database.writing(self.source) as connection:
            lines = more(self._card(connection))
            seals.add(connection, FORECASTS, [(line,) for line in lines or ()])
            return lines is not None


def _mark(connection: sa.Connection) -> str:
    return str(connection.execute(sa.select(sa.func.max(CHARGES.c.id))).scalar())


def _refuse_other(connection: sa.Connection, mark: str | None) -> None:
    if mark is not None and mark != _mark(connection):
        raise Overtaken
