"""A tiny shop on a server, and a model of three numbers to keep in it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import sqlalchemy as sa

from pipelines.ledger import database, store
from pipelines.registry import report_card, versions
from pipelines.registry.archive import Archive
from pipelines.tables.folder import read_folder
from tests.assessment.test_forecasts import simulated
from tests.tiny_shop import write_shop


def import_shop(source: Path | str, folder: Path) -> None:
    """The tiny shop into a database, which holds no models then."""
    given = read_folder(write_shop(folder / "tables"), name="tiny").given
    store.save(given, source)


def learn(kept: Archive, n: int, *, after: str | None = None, charge: bool = True) -> str:
    """Store a version that is told from others by its ``n``."""
    facts = {"validation": {}, "data_sha256": f"{n}", "learnt": {"after": after, "fitted": after}}
    return versions.save(kept, {"x": np.arange(n)}, {"n": n}, facts, charge=charge)


def numbers(kept: Archive) -> list[int]:
    """The ``n`` of every version; each must be whole."""
    found = [versions.load(kept, name) for name in kept.names()]
    assert [len(stored.arrays["x"]) for stored in found] == [s.meta["n"] for s in found]
    return [stored.meta["n"] for stored in found]


def record(version: str, print_id: str) -> report_card.Record:
    return report_card.Record(version, True, version, simulated(3, 0), {print_id: 1})


def does(source: str, *sentences: str) -> None:
    """What another hand does to the database."""
    with database.writing(source) as connection:
        for sentence in sentences:
            connection.execute(sa.text(sentence))
