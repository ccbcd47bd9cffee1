"""`plan`, `mix` and `next-test` from the command line."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from learn.errors import Unusable
from learn.planning.candidates import Limits
from pipelines.cli import main
from pipelines.commands._options import by_option
from pipelines.tasks import of_today
from pipelines.words import common as words
from tests.small_demo import small_model, small_shop


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--max-strokes", "x"], 'strikeoff: --max-strokes "x" is not a number'),
        (["--base-ink", "none", "--base-ink", "U1"], "contradict each other"),
        (["--lot", "C08"], "write it as INK=LOT, such as"),
        (["--out", "nowhere/a.csv"], "there is no folder"),
        (["--out", "p.csv", "--sheet", "p.html"], "give the sheet another name"),
        (["--target", __file__, "--out", __file__], "this file is read from already"),
    ],
)
def test_a_mistake_on_the_command_line_is_one_sentence(arguments, sentence, tmp_path, capsys):
    options = ["plan", "--target", "1,2,3", "--garment", "G01", "--workspace", str(tmp_path)]
    assert main([*options, *arguments]) == 2
    told = capsys.readouterr().err
    assert sentence in told
    assert len(told.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("limit", "sentence"),
    [
        ({"max_film_um": 0.0}, "--max-film is 0: it must be above 0."),
        ({"max_base_strokes": 0}, "--max-base-strokes is 0: 1 or more is possible."),
        ({"bare": False, "underbases": ()}, "neither a base nor printing without one is allowed"),
    ],
)
def test_what_cannot_be_met_is_told_by_its_option(limit, sentence):
    with pytest.raises(Unusable) as error:
        Limits(**limit)
    assert str(by_option(error.value)).startswith(sentence)


def test_plans_name_the_model_they_rest_on(learnt_workspace, capsys, monkeypatch, open_jobs):
    monkeypatch.chdir(learnt_workspace)
    columns = ["setup_id", "substrate_id", "ink_id", "mesh_id", "strokes", "flash_count"]
    open_jobs[[*columns, "target_L", "target_a", "target_b"]].to_csv("jobs.csv", index=False)
    aim = ["--target", "33,55,28", "--garment", "G01"]
    limits = ["--ink", "C08", "--mesh", "M77-55", "--base-ink", "none"]
    for command in (
        ["plan", *aim, *limits, "--figure", "plan.svg"],
        ["mix", *aim, "--ink", "C08", "--ink", "C10", "--mesh", "M77-55", "--base-ink", "none"],
        ["next-test", "jobs.csv"],
    ):
        assert main(command) == 0
        assert "By model 0001." in capsys.readouterr().out
    assert "target a* 55.0, b* 28.0; tolerance" in Path("plan.svg").read_text()


def test_a_base_that_would_be_nearest_is_told_to_be_left_out(learnt_workspace, capsys, monkeypatch):
    """White is a base here: it goes on top only where it is named."""
    monkeypatch.chdir(learnt_workspace)
    bucket = ",".join(f"{v:.0f}" for v in small_model().buckets(["U1"])[0][0])
    ask = ["plan", "--target", bucket, "--garment", "G02", "--base-ink", "none", "--tolerance", "9"]
    for more, left_out in (([], True), (["--ink", "U1"], False)):
        assert main([*ask, *more]) == 0
        shown = capsys.readouterr()
        assert ("was not looked at as the ink on top" in shown.out + shown.err) == left_out
    assert main(["plan", "--target", "33,55,28", "--garment", "G02"]) == 0
    shown = capsys.readouterr()
    assert "was not looked at" not in shown.out + shown.err


def test_a_mix_says_first_what_becomes_of_it(learnt_workspace, capsys, monkeypatch):
    monkeypatch.chdir(learnt_workspace)
    mix = ["mix", "--garment", "G02", "--ink", "C08,C10", "--mesh", "M77-55"]
    base = ["--base-ink", "U1", "--target"]
    assert main([*mix, *base, "33,55,28"]) == 0
    best, target, printed, blank, *_ = capsys.readouterr().out.splitlines()
    assert best.startswith(("Line 1: TEST PRINT FIRST, ", "Line 1: STRAIGHT TO PRODUCTION, "))
    assert target == "  Target    L 33.0 a 55.0 b 28.0 on Black (G02), tolerance 2 dE00"
    laid = small_shop().prints.query("underbase_ink_id == 'U1' and substrate_id == 'G02'")
    mesh, strokes = laid[["underbase_mesh_id", "underbase_strokes"]].value_counts().index[0]
    assert f"base White base (U1) through {mesh}, {strokes:g} stroke" in printed
    assert not blank
    assert main([*mix, *base, "45,30,28"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("No mix of these inks lands: ") and told.count("No mix of") == 1


def test_pairs_may_be_a_list_and_are_given_once(learnt_workspace, capsys, monkeypatch):
    monkeypatch.chdir(learnt_workspace)
    mix = ["mix", "--target", "33,55,28", "--garment", "G01", "--mesh", "M77-55"]
    have = ["--have", "C08=50,C10=50", "--measured", "G01=34,54,28"]
    assert main([*mix, *have, "--base-ink", "none"]) == 0
    assert "As it is: " in capsys.readouterr().out
    assert main([*mix, "--lot", "C08=a", "--lot", "C08=b"]) == 2
    assert "--lot C08 is given twice, a and b: give one." in capsys.readouterr().err


def test_a_plan_is_of_the_latest_lots_and_of_today(learnt_workspace, capsys, monkeypatch):
    monkeypatch.chdir(learnt_workspace)
    plan = ["plan", "--target", "55,-40,-10", "--garment", "G01", "--ink", "C19", "--lines", "1"]
    plan += ["--mesh", "M77-55", "--mesh", "M43-80", "--base-ink", "none"]

    def said(*more: str) -> tuple[str, str]:
        assert main([*plan, *more]) == 0
        shown = capsys.readouterr()
        return shown.out, shown.err

    today, told = said()
    assert f"today, {words.date(of_today.today())}, and lot C19-L05, the latest printed" in told
    named, told = said("--date", f"{of_today.today()}", "--lot", "C19=C19-L05")
    assert named == today
    assert "reckoned for" not in told
    assert said("--date", "2024-06-03")[0] != today
    assert "today" not in said("--date", "none")[1]
    assert said("--lot", "C19=new")[0] != today


def test_a_mix_is_of_the_latest_lots_unless_another_is_named(learnt_workspace, capsys, monkeypatch):
    monkeypatch.chdir(learnt_workspace)
    mix = ["mix", "--target", "55,-40,-10", "--garment", "G01", "--ink", "C19", "--ink", "C24"]
    mix += ["--mesh", "M77-55", "--base-ink", "none"]

    def said(*lots: str) -> tuple[str, str]:
        assert main([*mix, *lots]) == 0
        shown = capsys.readouterr()
        return shown.out, shown.err

    latest, told = said()
    assert f"today, {words.date(of_today.today())}, and the latest lot of each ink" in told
    named, told = said("--lot", "turquoise=C19-L05")
    assert named == latest
    assert "the latest printed; --date" in told  # of the other alone
    assert said("--date", f"{of_today.today()}")[0] == latest
    assert said("--date", "2024-06-03")[0] != latest
    assert said("--lot", "C19=new", "--lot", "C24=new")[0] != latest


def test_next_test_names_the_lots_that_nobody_has_printed(learnt_workspace, capsys, monkeypatch):
    monkeypatch.chdir(learnt_workspace)
    jobs = pd.DataFrame({"setup_id": ["a", "b", "c"], "substrate_id": ["G01", "G02", "G04"]})
    jobs = jobs.assign(ink_id="C19", ink_lot="X7", mesh_id="M77-55", strokes=1, flash_count=0)
    jobs = jobs.assign(underbase_ink_id="U1", underbase_mesh_id="M43-80", underbase_strokes=1)
    jobs.assign(target_L=50, target_a=-50, target_b=-10).to_csv("lots.csv", index=False)
    assert main(["next-test", "lots.csv"]) == 0
    said = capsys.readouterr().out
    assert "Lot X7 of Turquoise (C19) was never printed: a test print of " in said
    assert " as well." in said
    jobs.assign(target_L=50, target_a=-50, target_b=-10, ink_lot="").to_csv("l.csv", index=False)
    assert main(["next-test", "l.csv"]) == 0
    assert "never printed" not in capsys.readouterr().out
