"""`new-ink` from the command line to the record."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from pipelines.cli import main
from pipelines.ledger.incoming import read_sheet
from tests.small_demo import small_model


def test_the_prints_of_an_ink_from_the_command_line_to_the_record(
    learnt_workspace, capsys, monkeypatch
):
    monkeypatch.chdir(learnt_workspace)
    assert main(["new-ink", "--ink", "C08", "--out", "red.csv"]) == 0
    said = capsys.readouterr().out
    assert "Bright red (C08): never printed." in said
    assert "one print more would narrow that" in said
    assert "By model 0001." in said
    listed = pd.read_csv("red.csv", dtype=str, keep_default_na=False)
    assert said.count("dE00 of prediction") == len(listed) + 1
    assert (listed["ink_id"] == "C08").all()
    setups = typed(read_sheet(learnt_workspace / "red.csv")[0])
    lab = small_model().predict_lab(setups).mean.round(2)
    measured = pd.DataFrame(lab, columns=list("Lab")).assign(sample=listed["print_id"])
    measured.to_csv("measured.csv", index=False)
    assert main(["record", "measured.csv", "--prints", "red.csv", "--dry-run"]) == 0
    assert f"{len(listed)} prints to learn from" in capsys.readouterr().out


def test_a_print_that_is_recorded_and_not_learnt_is_counted(
    learnt_workspace, tmp_path, capsys, monkeypatch
):
    shutil.copytree(learnt_workspace, tmp_path / "own")
    monkeypatch.chdir(tmp_path / "own")
    assert main(["new-ink", "--ink", "C08", "--most", "1", "--out", "red.csv"]) == 0
    before = capsys.readouterr().out
    listed = read_sheet(Path("red.csv"))[0]
    lab = small_model().predict_lab(typed(listed)).mean.round(2)
    measured = pd.DataFrame(lab, columns=list("Lab")).assign(sample=listed["print_id"].tolist())
    measured.to_csv("measured.csv", index=False)
    assert main(["record", "measured.csv", "--prints", "red.csv"]) == 0
    capsys.readouterr()
    assert main(["new-ink", "--ink", "C08", "--most", "1"]) == 0
    shown = capsys.readouterr()
    assert "1 print recorded since this model learnt: counted here;" in shown.err
    assert "printed 1 time so far" in shown.out

    def now(text: str) -> str:
        return next(line for line in text.splitlines() if "dE00 of prediction" in line)

    assert now(shown.out) != now(before)


def typed(cells: pd.DataFrame) -> pd.DataFrame:
    """Text cells of a list of prints as the model takes them."""
    numbers = ["underbase_strokes", "strokes", "flash_count", "readings"]
    some = cells.where(cells != "", None)
    return some.assign(**some[numbers].astype(float), printed_on=pd.NaT)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--ink", "C8"], '--ink "C8" is not in inks.csv; is "C08 Bright red" meant?'),
        (["--ink", "U1"], "is an underbase: print it alone"),
        (["--ink", "C08", "--substrate", "tee"], '--garment "tee" is not in substrates.csv'),
        (["--ink", "C08", "--most", "0"], "--most 0: give 1 or more"),
        (["--ink", "C08", "--out", "nowhere/a.csv"], "there is no folder"),
    ],
)
def test_a_mistake_in_asking_for_an_ink_is_one_sentence(
    arguments, sentence, learnt_workspace, capsys
):
    assert main(["new-ink", *arguments, "--workspace", str(learnt_workspace)]) == 2
    told = capsys.readouterr().err
    assert sentence in told
    assert len(told.strip().splitlines()) == 1


def test_the_figure_shows_how_the_ink_covers(learnt_workspace, capsys, tmp_path):
    at = ["new-ink", "--ink", "C19", "--most", "1", "--workspace", str(learnt_workspace)]
    figure = tmp_path / "covers.svg"
    assert main([*at, "--figure", str(figure)]) == 0
    assert f"The figure is {figure}." in capsys.readouterr().out
    drawn = figure.read_text(encoding="utf-8")
    assert "dry film" in drawn
    assert "C19" in drawn
    assert main([*at, "--figure", str(tmp_path / "covers.txt")]) == 2
    assert "call it .png, .pdf or .svg" in capsys.readouterr().err
