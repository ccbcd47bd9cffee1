"""Which shops a workspace holds, and which it has lost."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import Kind, UserError

ROOT = Path(__file__).resolve().parents[2]


def shop(root: Path, name: str) -> None:
    (root / "datasets" / name).mkdir(parents=True)
    (root / "datasets" / name / "shop.db").touch()
    (root / "models" / name / "0001").mkdir(parents=True)


def test_a_shop_whose_data_are_gone_is_told_and_no_other_taken(tmp_path):
    for name in ("north", "south"):
        shop(tmp_path, name)
    (tmp_path / "datasets" / "south" / "shop.db").unlink()
    with pytest.raises(UserError, match=r"south.*is missing.*--shop north") as told:
        Workspace(tmp_path).pick()
    assert told.value.kind == Kind.DAMAGED
    assert Workspace(tmp_path).pick("north") == "north"


def test_tables_that_only_lie_there_are_no_lost_shop(tmp_path):
    """As in a checkout of the project, where published tables and an invented shop lie."""
    for name in ("published", "demo"):
        there = ROOT / "datasets" / name
        shutil.copytree(there, tmp_path / "datasets" / name, ignore=shutil.ignore_patterns("*.db"))
        shutil.rmtree(tmp_path / "datasets" / name / "reports", ignore_errors=True)
    shop(tmp_path, "north")
    assert Workspace(tmp_path).pick() == "north"
