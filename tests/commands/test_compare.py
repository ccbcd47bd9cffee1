"""`strikeoff compare`: every combination once, the same numbers as `predict`, on a page too."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from learn.predict.beside import Beside
from pipelines.cli import main
from pipelines.commands.compare import MOST, grid, listed
from pipelines.words.compare import answer, side_by_side
from pipelines.workspace.problems import UserError

INK = ["--ink", "C10", "--mesh", "M77-55"]


def test_the_grid_holds_every_combination_a_press_can_do_once():
    given = {
        "substrate_id": listed(["G01,G02", "G02"], None),
        "underbase_ink_id": ["none", "U1"],
        "underbase_mesh_id": ["M43-80", "M61-64"],
        "strokes": ["1", "2"],
        "flash_count": ["0", "1"],
    }
    found, notes = grid(given)
    # 2 garments x (no base, or one base through 2 meshes) x (1 stroke, 2, 2 with a flash)
    assert len(found) == len(set(map(str, found))) == 2 * 3 * 3
    assert all((one["underbase_ink_id"] == "U1") == ("underbase_mesh_id" in one) for one in found)
    assert not any(one["strokes"] == "1" and one["flash_count"] == "1" for one in found)
    assert "more flashes than gaps" in notes[0]
    with pytest.raises(UserError, match=rf"More than {MOST} .*60 by --ink"):
        grid({"ink_id": [str(i) for i in range(60)]})
    with pytest.raises(UserError, match="at most strokes - 1"):
        grid({"strokes": ["1", "2"], "flash_count": ["3"]})


def test_each_is_predicted_as_by_itself_and_shown_on_the_page(
    learnt_workspace, capsys, monkeypatch, tmp_path
):
    monkeypatch.chdir(learnt_workspace)
    page, figure = tmp_path / "c.html", tmp_path / "c.svg"
    aim = ["--strokes", "1", "--target", "33,55,28"]
    several = ["--garment", "G01,G02", "--page", str(page), "--figure", str(figure)]
    assert main(["compare", *INK, *aim, *several]) == 0
    told = capsys.readouterr().out
    shown = page.read_text(encoding="utf-8")
    for garment in ("G01", "G02"):
        alone = ["predict", *INK, *aim, "--garment", garment]
        assert main([*alone, "--out", str(tmp_path / "one.csv")]) == 0
        capsys.readouterr()
        one = pd.read_csv(tmp_path / "one.csv").iloc[0]
        off = f"target {one['target_dE00']:.1f} ({one['target_lo']:.1f} to {one['target_hi']:.1f})"
        assert off in told
        assert one["reason"] in shown
    assert shown.count("at worst like this:") == 2
    assert shown.count("<article") == 2
    assert "from the target" in figure.read_text()
    nearest = re.search(r"Nearest to the target: (?:probably |perhaps )?(\d)", told).group(1)
    offs = [float(v) for v in re.findall(r"target (\d+\.\d) \(", told)]
    assert offs[int(nearest) - 1] == min(offs)


def test_what_is_shared_is_told_once_and_what_differs_names_each():
    rows = [
        {"ink_id": "R", "substrate_id": g, "mesh_id": "M", "strokes": 1.0, "underbase_ink_id": base}
        for g, base in (("A", None), ("B", None), ("B", "W"))
    ]
    found = side_by_side(rows)
    assert dict(found.shared) == {"Ink": "R", "Screen": "mesh M, 1 stroke", "Press": "not given"}
    assert found.labels == ["A; no base", "B; no base", "B; W"]
    colours = [
        {"L": L, "a": 0.0, "b": 0.0, "shift_dE00": off} for L, off in ((50, 2), (60, 1), (55, 3))
    ]
    rows = [a | b for a, b in zip(rows, colours, strict=True)]
    apart = np.zeros((3, 3))
    apart[0, 1] = 1.0
    sure = Beside(np.array([0.02, 0.98, 0.0]), apart)
    told = answer(rows, found.labels, sure)
    assert told[0] == "Nearest to the bucket: 2 (B; no base), 1.0 dE00."
    assert told[1].startswith("Furthest apart: 1 and 2, ")
    unsure = Beside(np.array([0.3, 0.7, 0.0]), 0.4 * apart)
    told = answer(rows, found.labels, unsure)
    assert told[0] == (
        "Nearest to the bucket: probably 2 (B; no base), 1.0 dE00, or 1 (A; no base), 2.0 dE00."
    )
    assert told[1].startswith("Furthest apart: perhaps 1 and 2, ")
    two = Beside(sure.nearest[:2], apart[:2, :2])
    assert answer(rows[:2], found.labels[:2], two)[1].startswith("One print lies ")


def test_a_mistake_in_several_set_ups_is_told_once(learnt_workspace, capsys, monkeypatch):
    monkeypatch.chdir(learnt_workspace)
    wrong = ["--garment", "G01,G02,nowhere", "--strokes", "1,2", "--flashes", "0"]
    assert main(["compare", *INK, *wrong]) == 2
    told = capsys.readouterr().err.strip()
    assert told.startswith('strikeoff: --garment: "nowhere"')
    assert len(told.splitlines()) == 1
    assert not Path("c.html").exists()
