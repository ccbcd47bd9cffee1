"""A press that was changed, as a user records it and what becomes of the answers."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pandas as pd
import pytest

from pipelines.cli import main

SETUP = ["predict", "turquoise", "black tee", "--press", "P1", "--mesh", "43-80", "--strokes", "2",
         "--base-ink", "U1", "--base-mesh", "43-80", "--flashes", "1"]  # fmt: skip
CHANGE = ["record", "--change", "p 1", "--what", "new blade"]


@pytest.fixture
def says(learnt_workspace, tmp_path, capsys):
    shutil.copytree(learnt_workspace, tmp_path / "w")

    def run(*command: str, code: int = 0) -> str:
        assert main(["--workspace", str(tmp_path / "w"), *command]) == code
        said = capsys.readouterr()
        return " ".join((said.err if code else said.out + said.err).split())

    return run


def sd(says, path: Path) -> float:
    says(*SETUP, "--out", str(path))
    return pd.read_csv(path)[["L_sd", "a_sd", "b_sd"]].to_numpy().mean()


def test_a_recorded_change_widens_what_is_predicted_until_it_is_taken_back(says, tmp_path):
    before = sd(says, tmp_path / "before.csv")
    last = pd.read_csv(tmp_path / "w" / "tables" / "prints.csv")["printed_on"].max()
    dry = says(*CHANGE, "--date", last, "--dry-run")
    assert "Would be recorded: press P1, new blade on" in dry
    said = says(*CHANGE, "--date", "2026-03-01")
    assert 'read "p 1" as press P1.' in said
    assert "press P1, new blade on 1 Mar 2026. What it printed before says nothing" in said
    assert sd(says, tmp_path / "after.csv") > 1.05 * before
    told = says(*SETUP)
    assert "no print yet with press P1 since its change of 1 Mar 2026" in told
    assert "Press P1: new blade on 1 Mar 2026; no print since" in says("status")
    status = says("status")
    assert re.search(r"Press P1 \d\.\d, 0 prints; P", status), "the least known, as it stands now"
    assert "Press P1: no print since its last change; usual set-ups would land" in status
    assert "P1 since its change of 1 Mar 2026 0 not printed since" in says("list", "presses")
    assert "Nothing was changed" in says(*CHANGE, "--date", "2026-03-01")
    earlier = says(*SETUP, "--date", "2025-06-01")
    assert "since its change" not in earlier
    says("history", "--take-back", "2")
    (listed,) = re.findall(r"P1 (\d+) ", says("list", "presses"))
    learnt = re.search(r" P1 \d\.\d, (\d+) prints", says("status"))
    assert learnt is not None
    assert 0 <= int(listed) - int(learnt[1]) <= 3, "but for prints the learner has set aside"
    assert sd(says, tmp_path / "again.csv") == before


def test_what_cannot_be_recorded_is_one_sentence(says):
    assert "--change takes a day as well" in says(*CHANGE, code=2)
    unknown = says("record", "--change", "P44", "--what", "mended", "--date", "today", code=2)
    assert 'no print names a press "P44"' in unknown
    assert "Give the file of what was measured" in says("record", code=2)
    assert "without a file" in says("record", "x.csv", "--change", "P1", code=2)
