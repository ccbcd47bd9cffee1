"""A shop that tests of the workspace share."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipelines.cli import main
from tests.tiny_shop import write_shop


@pytest.fixture(scope="session")
def imported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the tables of the tiny shop and a workspace."""
    root = tmp_path_factory.mktemp("imported")
    (root / "work").mkdir()
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(root / "work")
        patch.delenv("STRIKEOFF_WORKSPACE", raising=False)
        assert main(["import", str(write_shop(root / "tables")), "--shop", "tiny"]) == 0
    return root


@pytest.fixture
def shop(imported: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of that workspace, the tables beside it; the current folder."""
    shutil.copytree(imported, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    return tmp_path / "work"
