"""``strikeoff targets``, and named targets wherever a target is asked for."""

from __future__ import annotations

import shutil
from pathlib import Path

import colour
import pandas as pd

from pipelines.cli import main
from tests.tiny_shop import write_shop


def test_targets_are_kept_changed_told_and_taken_off(shop, capsys):
    assert main(["targets"]) == 0
    assert "No targets yet" in capsys.readouterr().out
    blue = ["targets", "Harbour blue", "--colour", "33,6,-38", "--tolerance", "1.5"]
    assert main(blue) == 0
    assert main(["targets", "chalk", "--colour", "#ffffff"]) == 0
    assert main(["targets", "harbour  BLUE", "--tolerance", "1"]) == 0
    assert "was" not in capsys.readouterr().out
    assert main(["targets", "chalk", "--colour", "95,0,0"]) == 0
    told = "chalk is L 95.0 a 0.0 b 0.0 now, and was L 100.0 a 0.0 b 0.0; strikeoff history"
    assert told in capsys.readouterr().out  # a colour somebody relies on is not lost in silence
    assert main(["targets", "chalk"]) == 0
    _, *far = capsys.readouterr().out.splitlines()
    assert len(far) == 1 and far[0].startswith("  nothing printed near it yet; the nearest, P")
    assert main(["targets", "harbour blue"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert "Harbour blue: L 33.0 a 6.0 b -38.0" in told[0]
    assert "tolerance 1 dE00" in told[0]
    off = colour.delta_E([33, 6, -38], [35.1, 5.0, -40.2], method="CIE 2000")
    assert told[1].startswith(f"  {off:5.1f} dE00  P3: ")
    assert "blue" in told[1]
    assert main(["targets", "--remove", "chalk"]) == 0
    assert main(["targets", "--remove", "chalks"]) == 2
    assert main(["targets", "scarlet", "--colour", "Harbour blue"]) == 2
    assert main(["export", "out"]) == 0
    kept = pd.read_csv("out/targets.csv")
    assert kept["name"].tolist() == ["Harbour blue"]
    assert kept[["L", "a", "b", "tolerance_dE00"]].iloc[0].tolist() == [33, 6, -38, 1]


def test_targets_live_through_export_and_import(shop, capsys):
    text = "name,L,a,b,tolerance_dE00\nHarbour blue,33,6,-38,\n"
    write_shop(Path("again"))
    (Path("again") / "targets.csv").write_text(text)
    assert main(["import", "again", "--shop", "tiny"]) == 0
    assert main(["import", "../tables", "--shop", "tiny"]) == 0  # no list of targets: they stay
    assert main(["export", "out"]) == 0
    assert Path("out/targets.csv").read_text() == text
    assert main(["targets", "sun", "--colour", "80,5,80"]) == 0
    assert main(["history", "--take-back", "4"]) == 0
    capsys.readouterr()
    assert main(["targets"]) == 0
    assert "sun" not in capsys.readouterr().out


def test_a_target_of_the_shop_counts_by_name_with_its_tolerance(
    learnt_workspace, tmp_path, capsys, monkeypatch, open_jobs
):
    monkeypatch.chdir(shutil.copytree(learnt_workspace, tmp_path / "w"))
    one = open_jobs.iloc[0]
    aim = f"{one['target_L']:.2f},{one['target_a']:.2f},{one['target_b']:.2f}"
    assert main(["targets", "Harbour blue", "--colour", aim, "--tolerance", "4"]) == 0
    setup = ["--garment", one["substrate_id"], "--ink", one["ink_id"], "--mesh", one["mesh_id"]]
    setup += ["--strokes", "1"]
    capsys.readouterr()
    assert main(["predict", *setup, "--target", "harbour BLUE"]) == 0
    assert "within 4 dE00 of the target" in capsys.readouterr().out
    assert main(["predict", *setup, "--target", "#b5203a"]) == 0
    assert main(["predict", *setup, "--target", "harbor blu"]) == 2
    assert 'is "Harbour blue" meant?' in capsys.readouterr().err
    columns = ["setup_id", "substrate_id", "ink_id", "mesh_id", "strokes", "flash_count"]
    jobs = open_jobs[columns].assign(target=["Harbour blue", *["#b5203a"] * 11])
    jobs.to_csv("named.csv", index=False)
    assert main(["predict", "named.csv", "--out", "answers.csv"]) == 0
    answers = pd.read_csv("answers.csv")
    assert answers["target_dE00"].notna().all()
    plan = ["--garment", "G01", "--ink", "C08", "--mesh", "M77-55", "--base-ink", "none"]
    assert main(["plan", "--target", "harbour blue", *plan]) == 0
    assert "tolerance 4 dE00" in capsys.readouterr().out
