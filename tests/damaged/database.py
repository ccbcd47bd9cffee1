"""What may happen to a shop's database: bits flipped, rows and schema edited by hand, files."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np

from tests.damaged.files import HOW, Damage, Kinds, flip, whole_file
from tests.damaged.shop import DATABASE_FILE


def _sql(*statements: str) -> Damage:
    def damage(root: Path, _: np.random.Generator) -> None:
        with closing(sqlite3.connect(root / DATABASE_FILE)) as connection:
            for statement in statements:
                connection.execute(statement)
            connection.commit()

    return damage


# A table, a row of it, and columns that people may edit.
ROWS = {
    "batches": ("id = 2", ("id", "at", "who", "command", "file", "sha256", "counts", "condition")),
    "sheets": ("batch = 1 AND sheet = 'inks'", ("batch", "sheet", "columns")),
    "lines": ("batch = 1 AND sheet = 'prints' AND row = 5",
              ("batch", "sheet", "row", "cells", "fault", "spread")),
    "readings": ("rowid = (SELECT min(rowid) FROM readings)",
                 ("print_id", "number", "place", "colour")),
    "decisions": ("id = 1", ("id", "at", "who", "what", "print_id", "reason", "judged", "new")),
    "seals": ("of = 'batch 1'", ("of", "sha256")),
}  # fmt: skip


# Rows that nobody recorded.
ADDED = {
    "lines: one more": (
        "INSERT INTO lines SELECT batch, sheet, row + 1000, cells, fault, spread FROM lines "
        "WHERE batch = 2 AND sheet = 'prints' LIMIT 1",
    ),
    "batches: one more": (
        "INSERT INTO batches SELECT 9, at, who, command, file, 'x', counts, condition, backing, "
        "shop, shop_toml FROM batches WHERE id = 2",
        "INSERT INTO sheets SELECT 9, sheet, columns FROM sheets WHERE batch = 2",
        "INSERT INTO lines SELECT 9, sheet, row, replace(cells, 'P', 'Q'), fault, spread "
        "FROM lines WHERE batch = 2",
    ),
    "decisions: one more": (
        "INSERT INTO decisions SELECT 9, at, who, what, batch, print_id, reason, distance, judged, "
        "old, new FROM decisions WHERE id = 1",
    ),
}


def _rows() -> Iterator[tuple[str, Damage]]:
    for table, (row, columns) in ROWS.items():
        for column in columns:
            number = column in ("id", "batch", "row", "number")
            to = f"{column} + 4000" if number else f"coalesce({column}, '') || '1'"
            yield f"{table}.{column}", _sql(f"UPDATE {table} SET {column} = {to} WHERE {row}")
        yield f"{table}: a row less", _sql(f"DELETE FROM {table} WHERE {row}")
        last = columns[-1]
        yield f"{table}: no text", _sql(f"UPDATE {table} SET {last} = x'ff00' WHERE {row}")
        yield f"{table}: gone", _sql(f"DROP TABLE {table}")
        yield f"{table}: another name", _sql(f"ALTER TABLE {table} RENAME TO {table}_old")
        yield f"{table}: a column less", _sql(f"ALTER TABLE {table} DROP COLUMN {last}")
    cells = "replace(cells, '.', '.1')"
    yield "lines: every number", _sql(f"UPDATE lines SET cells = {cells}")
    yield "lines: no JSON", _sql("UPDATE lines SET cells = '[' WHERE batch = 1 AND row = 3")
    for name, statements in ADDED.items():
        yield name, _sql(*statements)
    for key, value in (("format", "strikeoff shop 3"), ("format", "x"), ("other", "x")):
        put = f"INSERT OR REPLACE INTO facts (key, value) VALUES ('{key}', '{value}')"
        yield f"facts: {key} {value}", _sql(put)
    yield "facts: gone", _sql("DROP TABLE facts")


def database() -> Kinds:
    """What happens to the shop's database, by kind and name."""
    flips = {f"bit {i}": lambda root, rng: flip(root / DATABASE_FILE, rng) for i in range(150)}
    files: dict[str, Damage] = {
        how: lambda root, _, how=how: whole_file(root / DATABASE_FILE, how)  # type: ignore[misc]
        for how in HOW
        if how != "grown"  # a database may have free room at its end
    }
    for name in ("shop.db-journal", "shop.db-wal"):
        files[f"{name} left"] = lambda root, _, name=name: (  # type: ignore[misc]
            (root / DATABASE_FILE).with_name(name).write_bytes(b"left by another" * 400) and None
        )
    return {
        "shop.db: a bit flipped": flips,  # type: ignore[dict-item]
        "shop.db: rows edited by hand": dict(_rows()),
        "shop.db: cut, emptied, another thing": files,
    }
