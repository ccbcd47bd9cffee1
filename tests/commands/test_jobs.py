"""Files of jobs of several colours: read as people write them, answered a job at a time."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from learn.shop import latest_lots
from pipelines.cli import main
from pipelines.tables.schema import JOB_COLUMNS, PREDICTION_COLUMNS, PRINTS
from tests.pages.test_prediction import Reader
from tests.small_demo import small_model, small_shop


def jobs_file(path, job=("Club tee", "club  TEE", "Club tee", ""), **columns):
    """Three colours of a job, as the shop has printed and would predict them, and one alone."""
    prints = small_shop().prints
    known = prints["ink_id"].isin(["C02", "C19", "C24"]) & prints["underbase_ink_id"].notna()
    rows = prints[known].drop_duplicates("ink_id").head(3)
    rows = pd.concat([rows, rows.head(1)], ignore_index=True)
    means = small_model().means(rows).round(2)
    table = rows[["ink_id", "substrate_id", "mesh_id", "strokes", "flash_count", "press_id"]]
    table = table.join(rows[["underbase_ink_id", "underbase_mesh_id", "underbase_strokes"]])
    table = table.assign(job=list(job), target=[f"{L},{a},{b}" for L, a, b in means], **columns)
    table.to_csv(path, index=False)
    return table


def run(root, path, *options) -> int:
    return main(["--workspace", str(root), "predict", str(path), *map(str, options)])


def test_colours_of_a_job_are_answered_together(learnt_workspace, tmp_path, capsys):
    table = jobs_file(tmp_path / "jobs.csv", tolerance_dE00=[4.0, 4.0, 0.2, 4.0])
    out, page = tmp_path / "out.csv", tmp_path / "week.html"
    assert run(learnt_workspace, tmp_path / "jobs.csv", "--out", out, "--page", page) == 0
    said = capsys.readouterr()
    assert 'jobs "club  TEE" and "Club tee" are taken as one' in said.err
    found = pd.read_csv(out)
    assert found.columns.tolist() == [*PREDICTION_COLUMNS, *JOB_COLUMNS]
    ids = ["Club tee-1", "club  TEE-2", "Club tee-3", "row 5"]
    assert found["setup_id"].tolist() == ids
    assert found["verdict"].tolist()[:2] == ["go", "go"] and found["verdict"][2] != "go"
    assert found["job_verdict"].tolist() == [found["verdict"][2]] * 3 + ["go"]
    assert found["job_held_by"].tolist()[:3] == ["Club tee-3"] * 3
    assert found["job_p_in_tolerance"].nunique() == 2
    assert re.search(r"^2 jobs: 1 straight to production", said.out, re.M)
    held = f"{table['ink_id'][2]}"
    text = Reader(page.read_text(encoding="utf-8")).text
    assert text.count("Its job, Club tee: ") == 4  # two that would go, on overview and card
    assert small_shop().inks.set_index("ink_id")["ink_name"][held] in text

    # the numbers of a set-up do not change with the job it belongs to
    table.drop(columns="job").assign(setup_id=ids).to_csv(tmp_path / "alone.csv", index=False)
    assert run(learnt_workspace, tmp_path / "alone.csv", "--out", tmp_path / "alone-out.csv") == 0
    alone = pd.read_csv(tmp_path / "alone-out.csv")
    pd.testing.assert_frame_equal(alone, found[PREDICTION_COLUMNS])
    assert "jobs:" not in capsys.readouterr().out


def test_one_sheet_a_job_in_the_order_of_printing(learnt_workspace, tmp_path, capsys):
    one = {"job": ["J7"] * 3 + [""], "substrate_id": "G02"}
    table = jobs_file(tmp_path / "jobs.csv", print_order=[3, 1, 2, 1], **one)
    sheets = tmp_path / "sheets.html"
    out = ("--out", tmp_path / "out.csv", "--sheets", sheets)
    assert run(learnt_workspace, tmp_path / "jobs.csv", *out) == 0
    html = sheets.read_text(encoding="utf-8")
    assert html.count('class="one-sheet"') == 2 and "no order of printing" not in html
    listed = pd.read_csv(tmp_path / "sheets.csv")
    assert listed.columns.tolist() == [c.name for c in PRINTS.columns if c.name != "mix"]
    assert listed["print_id"].tolist() == ["J7-1", "J7-2", "J7-3", "row-5-1"]
    assert listed["ink_id"].tolist()[:3] == [table["ink_id"][i] for i in (1, 2, 0)]
    first = html[: html.index('class="one-sheet"', html.index('class="one-sheet"') + 1)]
    names = small_shop().inks.set_index("ink_id")["ink_name"]
    base = names[table["underbase_ink_id"][0]]
    steps = re.findall(r"<li>(.*?)</li>", first)
    places = [next(i for i, s in enumerate(steps) if names[c] in s) for c in listed["ink_id"][:3]]
    assert places == sorted(places)
    assert any(step.startswith("Base") and base in step for step in steps)
    # a print from the list is recorded of the lot that the verdict was of
    lots = latest_lots(small_shop().prints)
    assert listed["ink_lot"].tolist() == [lots[ink] for ink in listed["ink_id"]]
    assert all(any(f"lot {lots[ink]}:" in step for step in steps) for ink in listed["ink_id"][:3])
    assert listed["printed_on"].isna().all()  # whoever prints it knows the day
    assert "data sheet" in steps[1]
    assert f"strikeoff record MEASURED.csv --prints {tmp_path / 'sheets.csv'}" in (
        capsys.readouterr().out
    )
    jobs_file(tmp_path / "jobs.csv", **one)
    assert run(learnt_workspace, tmp_path / "jobs.csv", *out) == 0
    assert sheets.read_text(encoding="utf-8").count("no order of printing") == 1  # one has colours


def test_one_place_in_the_order_for_two_colours_is_refused(learnt_workspace, tmp_path, capsys):
    one = {"job": ["J7"] * 3 + [""], "substrate_id": "G02"}
    jobs_file(tmp_path / "jobs.csv", print_order=[1, 2, 2, 1], **one)
    assert run(learnt_workspace, tmp_path / "jobs.csv", "--out", tmp_path / "out.csv") == 2
    err = capsys.readouterr().err
    assert "jobs.csv, row 4, column print_order: 2 stands twice in job J7" in err
    assert not (tmp_path / "out.csv").exists()


@pytest.mark.parametrize("name", ["jobs.csv", "out.csv", "kept.csv"])
def test_the_list_beside_the_sheets_is_no_other_file(learnt_workspace, tmp_path, name, capsys):
    jobs_file(tmp_path / "jobs.csv")
    (tmp_path / "kept.csv").write_text("of another day\n")
    before = (tmp_path / name).read_bytes() if name != "out.csv" else None
    sheets = (tmp_path / name).with_suffix(".html")
    options = ("--out", tmp_path / "out.csv", "--sheets", sheets)
    assert run(learnt_workspace, tmp_path / "jobs.csv", *options) == 2
    assert f"beside {sheets.name}; give the sheet another name" in capsys.readouterr().err
    assert not sheets.exists() and before == (
        (tmp_path / name).read_bytes() if (tmp_path / name).exists() else None
    )


@pytest.mark.parametrize("option", ["--out", "--page", "--sheets"])
def test_a_chip_that_the_jobs_name_is_never_written_over(
    learnt_workspace, tmp_path, option, capsys
):
    jobs, chip = tmp_path / "jobs.csv", tmp_path / "chip.txt"
    table = jobs_file(jobs)
    table.assign(target=[chip.name, *table["target"].iloc[1:]]).to_csv(jobs, index=False)
    chip.write_text("sample,L,a,b\nchip,45,60,30\n")
    out = {"--out": tmp_path / "out.csv"}
    assert run(learnt_workspace, jobs, *sum((out | {option: chip}).items(), ())) == 2
    assert f"{chip}: this file is read from already" in capsys.readouterr().err
    assert chip.read_text().startswith("sample,L,a,b") and not out["--out"].exists()


def test_a_test_print_is_told_with_the_job_it_belongs_to(learnt_workspace, tmp_path, capsys):
    table = jobs_file(tmp_path / "jobs.csv", tolerance_dE00=4.0)
    table.loc[1, "target"] = ""
    table.to_csv(tmp_path / "jobs.csv", index=False)
    assert (
        main(["--workspace", str(learnt_workspace), "next-test", str(tmp_path / "jobs.csv")]) == 0
    )
    said = capsys.readouterr().out
    assert "jobs" not in said and "over these set-ups" in said, "a row is a set-up, not a job"
    lines = {line[:11].strip(): line for line in said.splitlines()}
    assert "Straight to production" in lines["Club tee-1"]  # by itself
    assert lines["Club tee-1"].endswith("Club tee: predictable, no target")
    assert lines["row 5"].endswith("row 5: straight to production")
