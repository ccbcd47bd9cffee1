"""A shop that tests of the workspace share."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.cli import main
from tests.tiny_shop import write_shop


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A workspace with the tiny shop; the current folder."""
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    assert main(["import", str(write_shop(tmp_path / "tables")), "--shop", "tiny"]) == 0
    return tmp_path / "work"
