"""A lot that prints otherwise, told when it is recorded, learnt and in use."""

from __future__ import annotations

import shutil

import numpy as np
import pandas as pd
import pytest

from learn.physics.print_model import column_of
from pipelines.cli import main
from pipelines.tables.spectra import SPECTRUM
from tests.small_demo import small_model, small_shop

STRONGER = 35  # per cent


def batch(lot: str, percent: float, n: int) -> pd.DataFrame:
    """Prints of turquoise as the model has them, from a lot so much stronger."""
    model, prints = small_model(), small_shop().prints
    own = prints[prints["ink_id"] == "C19"].tail(n).reset_index(drop=True)
    rows = own.assign(
        print_id=[f"{lot}-{i}" for i in range(n)],
        job_id=[f"{lot}-J{i}" for i in range(n)],
        printed_on="2025-12-18" if percent else "2025-12-19",
        ink_lot=lot,
    )
    on = model.in_print(rows.assign(ink_lot="C19-L05"))
    optics = on.at()
    shifts = optics.shifts.copy()
    shifts[:, column_of("strength")] += np.log1p(percent / 100)
    lab = on.lab(on.stack, optics._replace(shifts=shifts))
    cells = rows.drop(columns=[c for c in rows if c in SPECTRUM])
    return cells.assign(L=lab[:, 0].round(2), a=lab[:, 1].round(2), b=lab[:, 2].round(2))


@pytest.fixture
def says(learnt_workspace, tmp_path, capsys):
    root = tmp_path / "shop"
    shutil.copytree(learnt_workspace, root)

    def run(*command: str) -> str:
        capsys.readouterr()
        assert main(["--workspace", str(root), *command]) == 0
        return " ".join(capsys.readouterr().out.split())

    return run


def test_a_strong_lot_is_told_until_the_next(says, tmp_path):
    strong, usual = tmp_path / "strong.csv", tmp_path / "usual.csv"
    batch("X1", STRONGER, 6).to_csv(strong, index=False)
    batch("X2", 0.0, 4).to_csv(usual, index=False)
    said = says("record", str(strong))
    assert "Turquoise (C19), lot X1, prints" in said
    assert "% stronger" in said
    percent = float(said.split("lot X1, prints ")[1].split(" %")[0])
    assert abs(percent - STRONGER) < 10
    assert "6 prints agree" in said
    assert "lot X1, prints" not in says("status")  # the model in charge has not learnt it
    assert "lot X1, prints" in says("learn")
    assert "lot X1, prints" in says("status")
    assert "lot X" not in says("record", str(usual))
    assert "lot X1" not in says("status")
