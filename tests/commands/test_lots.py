"""A lot that prints otherwise, told when it is recorded, learnt and in use."""

from __future__ import annotations

import shutil

import numpy as np
import pandas as pd

from learn.physics.print_model import column_of
from pipelines.cli import main
from pipelines.tables.spectra import SPECTRUM
from pipelines.tasks import of_today
from pipelines.words import common as words
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
    assert "lot X1, prints" in says("status")  # counted, though not learnt yet
    assert "lot X1, prints" in says("learn")
    status = says("status")
    assert status.count("lot X1") == 1  # it differs, and has not drifted
    assert "learnt 2" in status
    assert f"from {len(small_shop().prints) + 6} prints; of jobs held back when 0001" in status
    assert "lot X" not in says("record", str(usual))
    assert "lot X1" not in says("status")


def test_what_was_recorded_counts_before_it_is_learnt(learnt_workspace, tmp_path, capsys):
    root, strong, out = tmp_path / "shop", tmp_path / "strong.csv", tmp_path / "o.csv"
    shutil.copytree(learnt_workspace, root)
    batch("X1", STRONGER, 6).to_csv(strong, index=False)
    setup = ["C19", "G01", "--mesh", "M43-80", "--strokes", "1", "--lot", "X1", "--out", str(out)]

    def run(*command: str) -> tuple[str, str]:
        capsys.readouterr()
        assert main(["--workspace", str(root), *command]) == 0
        shown = capsys.readouterr()
        return " ".join(shown.out.split()), shown.err

    def predicted() -> tuple[pd.Series, str, str]:
        said, noted = run("predict", *setup, "--page", str(tmp_path / "p.html"))
        assert said.split("Model ")[1].split(" The ")[0] in (tmp_path / "p.html").read_text()
        return pd.read_csv(out).iloc[0][["L", "a", "b"]].astype(float), said, noted

    before, _, noted = predicted()
    assert "recorded since" not in noted
    run("record", str(strong))
    counted, said, noted = predicted()
    assert "6 prints recorded since this model learnt: counted here; strikeoff learn" in noted
    assert "Model 0001 with 6 prints recorded since" in said
    run("learn")
    learnt, said, noted = predicted()
    assert np.abs(counted - learnt).max() < 0.01 < 1.0 < np.abs(before - learnt).max()
    assert "Model 0002 The" in said

    run("doubts", "keep", "X1-0")  # it was learnt as it is
    assert "strikeoff learn" not in predicted()[2]
    assert "nothing was changed" in run("learn")[0]
    run("doubts", "set-aside", "X1-0", "--reason", "smudged")
    _, said, noted = predicted()
    assert "changed since this model learnt (print X1-0), which is not counted here" in noted
    assert "Model 0002, learnt before print X1-0 changed" in said
    assert "The tables have changed since it learnt (print X1-0)" in run("status")[0]


def test_a_set_up_without_a_lot_is_of_the_latest(learnt_workspace, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(learnt_workspace)

    def predicted(*lot: str) -> tuple[str, str]:
        assert main(["predict", "--ink", "C19", "--garment", "G01", *lot]) == 0
        shown = capsys.readouterr()
        return next(line for line in shown.out.splitlines() if "  Print " in line), shown.err

    latest, told = predicted()
    assert "and lot C19-L05, the latest printed; --date and --lot name others (new: a lot" in told
    named, told = predicted("--lot", "C19-L05")
    assert named == latest
    assert "the latest printed" not in told
    new, told = predicted("--lot", "New")
    assert new != latest
    assert "the latest printed" not in told
    assert predicted("--lot", "C19-L99")[0] == new  # never printed either
    any_lot, told = predicted("--lot", "none")
    assert any_lot != latest
    assert "the latest printed" not in told

    columns = ["substrate_id", "ink_id", "mesh_id", "strokes", "flash_count", "ink_lot"]
    jobs = pd.DataFrame([["G01", "C19", "M77-55", 1, 0, ""]], columns=columns)
    found = []
    for lot in ("", "C19-L05", "new"):
        jobs.assign(setup_id="s", ink_lot=lot).to_csv(tmp_path / "jobs.csv", index=False)
        assert main(["predict", str(tmp_path / "jobs.csv"), "--out", str(tmp_path / "o.csv")]) == 0
        found.append(pd.read_csv(tmp_path / "o.csv")["L_sd"][0])
    assert found[0] == found[1] < found[2]
    assert capsys.readouterr().err.count("the latest printed") == 1

    aim = [
        "plan",
        "--target",
        "50,-50,-10",
        "--garment",
        "G01",
        "--ink",
        "C19",
        "--max-strokes",
        "1",
    ]
    assert main(aim) == 0
    assert "lot C19-L05, the latest printed" in capsys.readouterr().err
    sheet = tmp_path / "sheet.html"
    assert main([*aim, "--lot", "C19=new", "--sheet", str(sheet)]) == 0
    assert "the latest printed" not in capsys.readouterr().err
    assert ">new<" in sheet.read_text()
    listed = pd.read_csv(sheet.with_suffix(".csv"))
    assert listed["ink_lot"].isna().all()  # whoever measures it knows its name


def test_a_lot_typed_in_another_way_is_the_same_lot(says, learnt_workspace, tmp_path, capsys):
    asked = ["predict", "C19", "G01", "--mesh", "M77-55", "--strokes", "1", "--lot"]
    own, other = (says(*asked, lot).split(" note: ")[0] for lot in ("C19-L05", "c19 l05"))
    assert other == own
    batch("c19l05", 0.0, 4).to_csv(tmp_path / "usual.csv", index=False)
    assert main(["--workspace", str(tmp_path / "shop"), "record", str(tmp_path / "usual.csv")]) == 0
    told = " ".join(capsys.readouterr().err.split())
    assert 'usual.csv: read "c19l05" as lot C19-L05 of C19, in 4 rows.' in told
    assert "lot C19-L05" in says("predict", "C19", "G01")
    batch("neu", STRONGER, 6).to_csv(tmp_path / "new.csv", index=False)
    assert "Turquoise (C19), lot new 2025-12-18, prints" in says(
        "record", str(tmp_path / "new.csv")
    )


def test_a_card_of_a_lot_is_told_and_used_before_any_print_of_it(says, tmp_path, capsys):
    table = pd.read_csv(tmp_path / "shop" / "tables" / "drawdowns.csv", dtype=str)
    own = table[(table["ink_id"] == "C19") & (table["film_um"] != "bucket")]
    own = own.drop_duplicates("substrate_id")
    thicker = own.assign(film_um=(own["film_um"].astype(float) / 1.3).astype(str), ink_lot="X9")
    thicker.to_csv(tmp_path / "cards.csv", index=False)
    out, setup = tmp_path / "o.csv", ["--ink", "C19", "--garment", "G01", "--mesh", "M43-80"]
    setup += ["--strokes", "1", "--out", str(out)]

    def predicted(lot: str) -> pd.Series:
        says("predict", *setup, "--lot", lot)
        return pd.read_csv(out).iloc[0]

    before = predicted("X9")
    told = "Turquoise (C19), lot X9, is not printed yet; a card of it says it is"
    assert told in says("record", str(tmp_path / "cards.csv"))
    assert told in says("status")
    after, new = predicted("X9"), predicted("new")
    assert [new[c] for c in ("L", "a", "b")] == [before[c] for c in ("L", "a", "b")]
    assert after["L"] < before["L"] - 0.3, "more ink in the same film: stronger and darker"
    root = str(tmp_path / "shop")
    capsys.readouterr()
    assert main(["--workspace", root, "predict", *setup, "--lot", "new"]) == 0
    assert "If it is the new one, name it as the lot." in " ".join(capsys.readouterr().err.split())


def test_a_set_up_without_a_day_is_of_today(learnt_workspace, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(learnt_workspace)
    today = f"{of_today.today()}"

    def said(*given: str) -> tuple[str, str]:
        assert main([*given]) == 0
        shown = capsys.readouterr()
        return shown.out, shown.err

    for command in (
        ["predict", "C19", "G01"],
        ["compare", "C19", "G01,G02"],
        ["why", "C19", "G01"],
    ):
        out, told = said(*command)
        assert f"reckoned for today, {words.date(of_today.today())}, and lot C19-L05" in told
        assert "the last print learnt from is of" in told  # the demo ends in 2025
        assert said(*command, "--date", today)[0] == out
        assert said(*command, "--date", "today")[0] == out
    out, told = said("predict", "C19", "G01", "--date", "none")
    assert "today" not in told
    assert "Job " not in out

    columns = ["press_id", "substrate_id", "ink_id", "mesh_id", "strokes", "flash_count"]
    jobs = pd.DataFrame([["P2", "G01", "C19", "M77-55", 1, 0]] * 2, columns=columns)
    jobs = jobs.assign(setup_id=["a", "b"], printed_on=["", "2025-06-02"])

    def widths(table: pd.DataFrame, *day: str) -> list[float]:
        table.to_csv(tmp_path / "jobs.csv", index=False)
        said("predict", str(tmp_path / "jobs.csv"), "--out", str(tmp_path / "o.csv"), *day)
        return pd.read_csv(tmp_path / "o.csv")["L_sd"].tolist()

    now, then = widths(jobs)
    assert now > then
    assert widths(jobs.assign(printed_on=today)) == [now, now]
    assert widths(jobs, "--date", today) == [now, then]
    undated, as_written = widths(jobs, "--date", "none")
    assert undated != now
    assert as_written == then
