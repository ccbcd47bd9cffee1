"""Fixtures that several test modules share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.servers import fresh_database, running_server


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """A PostgreSQL server; tests that ask for it are skipped where there is none."""
    with running_server() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def source(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path | str]:
    """A place for a shop's database, empty: a file, then a real server's."""
    if request.param == "sqlite":
        yield tmp_path / "shop.db"
        return
    with fresh_database(request.getfixturevalue("server")) as url:
        yield url
