"""Rows of a shop's models in its database on a server: added, by whoever holds the connection."""

from __future__ import annotations

import uuid

import sqlalchemy as sa

from pipelines.ledger import seals, store
from pipelines.ledger.database import CHARGES, MODELS, PARTS

PART = 8_000_000  # bytes: server and driver hold a row in memory, several times over


def add_arrays(connection: sa.Connection, data: bytes) -> str:
    """Add arrays in parts; the name under which they are kept, which no other has."""
    key = uuid.uuid4().hex
    for part, start in enumerate(range(0, len(data), PART)):
        row = {"arrays": key, "part": part, "data": data[start : start + PART]}
        connection.execute(PARTS.insert(), row)
    return key


def add_version(
    connection: sa.Connection, name: str, seal: str, facts: bytes, arrays: str, was: str = ""
) -> None:
    """Add a version whose arrays are there; ``was``: the seal it had where it came from."""
    row = {"version": int(name), "seal": seal, "was": was or seal, "arrays": arrays, "facts": facts}
    connection.execute(MODELS.insert(), row)


def add_charge(connection: sa.Connection, name: str, seal: str) -> None:
    """Put a version in charge."""
    seals.add(connection, CHARGES, [(store.now(), store.who(), int(name), seal)])
