"""A tolerance much wider than the shop's is told wherever one is taken: a slip lets all go."""

from __future__ import annotations

import pandas as pd
import pytest

from learn.shop import ShopSettings
from pipelines.cli import main
from pipelines.tasks.tolerances import wide_tolerances

TARGET = ["--target", "50,-60,-7"]
TOLD = "note: the tolerance is 20 dE00, 10 times the shop's own of 2: check that it is meant."


def test_only_wide_ones_are_told_and_whose_they_are():
    settings = ShopSettings("s", tolerance_dE00=1.5)
    assert not wide_tolerances([None, 1.0, 4.5, float("nan")], settings)
    (said,) = wide_tolerances([1, 15, 30], settings, ["S1", "S2", "S3"])
    assert said.startswith(
        "the tolerance of set-ups S2 and S3 is 30 dE00 at most, 20 times the shop's"
    )
    (said,) = wide_tolerances([15] * 9, settings, [f"S{i}" for i in range(9)])
    assert "of set-ups S0, S1, S2, S3, S4, S5 and 3 more is" in said


@pytest.mark.parametrize(
    "command",
    [
        ["predict", "turquoise", "black tee", *TARGET],
        ["plan", "--garment", "black tee", "--ink", "turquoise", "--lines", "1", *TARGET],
        ["predict", "jobs.csv", "--out", "a.csv"],
    ],
)
def test_a_slip_of_the_point_is_told(command, learnt_workspace, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    columns = {"substrate_id": "G02", "ink_id": "C19", "mesh_id": "M77-55", "strokes": 1}
    columns |= {"flash_count": 0, "target": "50,-60,-7"}
    for tolerance, told in (("20", True), ("2.0", False)):
        row = {**columns, "tolerance_dE00": tolerance, "setup_id": "S1"}
        pd.DataFrame([row]).to_csv("jobs.csv", index=False)
        given = [] if "jobs.csv" in command else ["--tolerance", tolerance]
        assert main(["--workspace", str(learnt_workspace), *command, *given]) == 0
        assert (TOLD in capsys.readouterr().err) == told
