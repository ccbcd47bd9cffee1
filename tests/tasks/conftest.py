"""A group of shops, once a test run: tests change copies of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.tasks import groups
from tests.group_of_shops import copy_of, group_of, learn_quickly
from tests.quick_shop import run


@pytest.fixture(scope="session")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four shops of which nothing is learnt."""
    return group_of(tmp_path_factory.mktemp("group") / "fresh")


@pytest.fixture(scope="session")
def serial(fresh: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same, learnt one after another in one process."""
    root = copy_of(fresh, tmp_path_factory.mktemp("group") / "serial")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(groups, "learn_plant", learn_quickly)
        code, said = run(root, "learn", "--group", "--workers", "1")
    assert code == 0, said
    return root
