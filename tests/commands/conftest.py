"""Workspaces that commands are tried in."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from pipelines.cli import main
from pipelines.registry import versions
from pipelines.registry.in_folder import InFolder
from tests.monitoring.test_inspection import KnownShop
from tests.tiny_shop import with_cell, write_shop


@pytest.fixture(scope="session")
def imported(tmp_path_factory) -> Path:
    """A folder with the tables of the tiny shop (one print of it set aside) and a workspace."""
    root = tmp_path_factory.mktemp("imported")
    write_shop(root / "tables", prints=with_cell("prints.csv", 3, "L", "n/a"))
    (root / "work").mkdir()
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(root / "work")
        patch.delenv("STRIKEOFF_WORKSPACE", raising=False)
        assert main(["import", "../tables", "--shop", "tiny"]) == 0
    return root


@pytest.fixture
def shop(imported, tmp_path, monkeypatch) -> Path:
    """A copy of that workspace, the tables beside it, which is the current folder."""
    shutil.copytree(imported, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    return tmp_path / "work"


@pytest.fixture
def says(learnt_workspace, tmp_path, capsys) -> Callable[..., str]:
    """Runs a command on a copy of the learnt shop; all that it says, as one line."""
    root = tmp_path / "shop"
    shutil.copytree(learnt_workspace, root)

    def run(*command: str) -> str:
        capsys.readouterr()
        assert main(["--workspace", str(root), *command]) == 0
        shown = capsys.readouterr()
        return " ".join((shown.out + shown.err).split())

    return run


@pytest.fixture
def model(shop, monkeypatch):
    """A model in charge that expects of 007 and blue what `KnownShop` does of red and blue."""

    class Model(KnownShop):
        @classmethod
        def from_state(cls, arrays, meta):
            return cls()

        def told_of(self, shop, gone=False):
            return self

        def __init__(self):
            super().__init__()
            self.marks_ = {"prints": {"P1": 1}}
            names = {"007": "red", "blue": "blue"}
            plain = super().predict_lab

            def unknown(setups):
                return pd.DataFrame({"row": np.flatnonzero(~setups["ink_id"].isin(list(names)))})

            self.encoder_ = SimpleNamespace(inks=pd.DataFrame(index=list(names)), unknown=unknown)
            self.predict_lab = lambda s: plain(s.assign(ink_id=s["ink_id"].map(names)))

    monkeypatch.setitem(sys.modules, "learn.predict.model", SimpleNamespace(ShiftModel=Model))
    opened = SimpleNamespace(learnt=Model(), counted=Model())
    monkeypatch.setattr("pipelines.registry.gate.open_model", lambda *_, **__: opened)
    facts = {"set_aside": [{"print_id": "P3", "reason": "far off"}], "rows": {"prints": 2}}
    facts["validation"] = {"median_dE00": 0.5, "coverage90": 0.9, "n_prints": 2}
    versions.save(InFolder(Path("models/tiny")), {"x": np.zeros(1)}, {}, facts)
