"""The command line as a user meets it: exit codes, sentences, files. No model is fitted here."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import ClassVar

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import viewing
from learn.predict.causes import ENDS, Cause, Verdict
from pipelines.cli import COMMANDS, main
from pipelines.ledger import store
from pipelines.registry.unlearnt import marks_now
from pipelines.tables.schema import PREDICTION_COLUMNS
from tests.tiny_shop import SETUPS, TINY, with_cell, write_shop


@pytest.fixture
def workspace(tmp_path, monkeypatch) -> Path:
    """An empty workspace, which is the current folder; the tables lie beside it."""
    write_shop(tmp_path / "tables")
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    return tmp_path / "work"


class StubModel:
    """Stands for the learnt model where only reading, storing and writing is looked at."""

    viewing_ = viewing()
    last_print = None
    set_aside_ = pd.DataFrame({"print_id": ["P3"], "reason": ["far from its neighbours"]})
    validation_: ClassVar[dict] = {
        "n_prints": 2,
        "n_jobs": 2,
        "n_set_aside": 1,
        "median_dE00": 0.61,
        "coverage90": 0.91,
        "physics_median_dE00": 1.9,
        "nearest_median_dE00": 2.4,
        "by_group": {},
    }

    def __init__(self, n_jobs: int | None = None) -> None:
        self.n_jobs = n_jobs

    searches_: ClassVar[list] = []

    def fit(self, shop, progress=None, trusted=()):
        progress("fitting")
        StubModel.marks_, StubModel.settings_ = marks_now(self, shop), shop.settings
        return self

    def told_of(self, shop, gone=False):
        return self

    def lots(self, prints):
        return []

    def moved_presses(self):
        return []

    def sisters_of(self, inks):
        return {}

    def knows_lot(self, ink, lot):
        return True

    def nothing_of(self):
        return []

    def carded(self):
        return []

    def to_state(self):
        return {"x": np.zeros(2)}, {"n": 1}

    @classmethod
    def from_state(cls, arrays, meta):
        assert arrays["x"].shape == (2,)
        assert meta == {"n": 1}
        return cls()

    def predict(self, setups):
        frame = pd.DataFrame({"setup_id": setups["setup_id"]})
        numbers = PREDICTION_COLUMNS[1:-4] + [end + c for end in ENDS for c in "Lab"]
        frame[numbers] = np.full((len(setups), len(numbers)), 1.23456)
        no_target = setups["target_L"].isna()
        frame.loc[no_target, ["target_dE00", "target_lo", "target_hi"]] = np.nan
        frame["p_in_tolerance"] = 0.93
        frame["cause"] = np.where(no_target, Cause.NO_TARGET, Cause.UNSURE)
        frame["verdict"] = Verdict.TEST
        frame[["within_dE00", "tolerance_dE00"]] = 1.23456
        return frame.assign(aimed=~no_target, unseen=[()] * len(frame), beneath="garment")


@pytest.fixture
def stub(monkeypatch):
    module = SimpleNamespace(ShiftModel=StubModel)
    monkeypatch.setitem(sys.modules, "learn.predict.model", module)


def one_sentence(capsys) -> str:
    err = capsys.readouterr().err
    assert "Traceback" not in err
    assert len(err.strip().splitlines()) == 1, err
    return err


def test_import_counts_and_lists_what_was_set_aside(workspace, capsys):
    write_shop(workspace / "in", prints=with_cell("prints.csv", 2, "L", "140"))
    assert main(["import", "in"]) == 0
    out = capsys.readouterr().out
    assert "Imported shop invented-tiny-shop: 3 inks, 2 garments and cards, 3 screens, " in out
    assert (
        "2 drawdowns, 2 prints.\n1 print set aside: kept in the database, not learnt from.\n" in out
    )
    assert 'prints.csv, row 2, P1: L: "140" is outside 0 to 100' in out
    assert main(["import", "in", "--strict"]) == 2
    assert one_sentence(capsys).startswith('strikeoff: prints.csv, row 2, column L: "140"')


def test_a_long_list_of_set_aside_prints_is_cut_and_says_how_to_see_it_all(workspace, capsys):
    header, row, *_ = TINY["prints.csv"].splitlines(keepends=True)
    rows = [row.replace("P1", f"P{n}").replace("46.00", "146") for n in range(25)]
    write_shop(workspace / "in", prints=header + "".join(rows) + row.replace("P1", "good"))
    assert main(["import", "in"]) == 0
    out = capsys.readouterr().out
    assert out.count("prints.csv, row") == 20
    assert "and 5 more; strikeoff import in --strict lists all, changing nothing." in out
    assert main(["import", "in", "--strict"]) == 2
    assert capsys.readouterr().err.count("prints.csv, row") == 25


def test_a_refused_import_changes_nothing(workspace, capsys):
    assert main(["import", "../tables"]) == 0
    path = workspace / "datasets" / "invented-tiny-shop" / "shop.db"
    before = path.read_bytes()
    write_shop(workspace / "in", inks=None)
    capsys.readouterr()
    assert main(["import", "in"]) == 2
    assert "inks.csv: the file is missing" in one_sentence(capsys)
    assert path.read_bytes() == before
    assert main(["import", "nowhere"]) == 2
    assert "nowhere: there is no such folder" in one_sentence(capsys)


def test_import_again_finds_its_shop(workspace):
    assert main(["import", "../tables", "--shop", "north"]) == 0
    assert main(["import", "../tables"]) == 0
    assert [p.name for p in (workspace / "datasets").iterdir()] == ["north"]


def test_export_gives_back_the_tables_and_import_export_is_byte_identical(workspace, capsys):
    prints = with_cell("prints.csv", 2, "L", "n/a")
    write_shop(workspace / "in", prints=prints)
    assert main(["import", "in"]) == 0
    assert main(["export", "one"]) == 0
    for file, text in {**TINY, "prints.csv": prints}.items():
        assert (workspace / "one" / file).read_text(encoding="utf-8") == text
    assert main(["import", "one"]) == 0
    assert main(["export", "two"]) == 0
    for file in TINY:
        assert (workspace / "one" / file).read_bytes() == (workspace / "two" / file).read_bytes()
    capsys.readouterr()
    assert main(["export", "two"]) == 2
    assert "the folder is not empty; name a new one, or add --force" in one_sentence(capsys)
    assert main(["export", "two", "--force"]) == 0


def test_a_shop_whose_database_is_gone_is_no_shop_never_begun(workspace, capsys):
    for shop in ("north", "south"):
        main(["import", "../tables", "--shop", shop])
    (workspace / "models" / "north" / "0001").mkdir(parents=True)
    lost = workspace / "datasets" / "north" / "shop.db"
    lost.unlink()
    capsys.readouterr()
    assert main(["export", "x"]) == 2  # not that of the other shop
    said = one_sentence(capsys)
    assert (
        "datasets/north/shop.db: is missing" in said
        and "put the file back" in said
        and "--shop south" in said
    )
    assert main(["export", "x", "--shop", "south"]) == 0
    assert main(["import", "../tables", "--shop", "north"]) == 0
    assert main(["export", "y", "--shop", "north"]) == 0


def test_which_shop_and_which_workspace(workspace, capsys, monkeypatch):
    assert main(["learn"]) == 2
    assert "No shop in the workspace" in one_sentence(capsys)
    main(["import", "../tables", "--shop", "north"])
    main(["import", "../tables", "--shop", "south"])
    capsys.readouterr()
    assert main(["export", "x"]) == 2
    assert "holds north, south; say which one with --shop NAME" in one_sentence(capsys)
    assert main(["export", "x", "--shop", "east"]) == 2
    assert 'No shop "east"' in one_sentence(capsys)
    assert main(["import", "../tables", "--shop", "../north"]) == 2
    assert "cannot be a shop's name" in one_sentence(capsys)
    assert main(["export", "x", "--workspace", "missing"]) == 2
    assert "no such workspace folder" in one_sentence(capsys)
    monkeypatch.chdir(workspace.parent)
    monkeypatch.setenv("STRIKEOFF_WORKSPACE", str(workspace))
    assert main(["export", "x", "--shop", "north"]) == 0


def test_learn_and_predict_a_file(workspace, capsys, stub):
    main(["import", "../tables"])
    (workspace / "jobs.csv").write_text(SETUPS)
    capsys.readouterr()
    assert main(["predict", "jobs.csv", "--out", "answers.csv"]) == 2
    assert "no model has been learnt yet; run strikeoff learn" in one_sentence(capsys)

    assert main(["learn"]) == 0
    said = capsys.readouterr()
    assert "physics and learning   0.61" in said.out
    assert "held 91 % of the measured values" in said.out
    assert "P3: far from its neighbours" in said.out
    assert "] fitting" in said.err

    assert main(["predict", "jobs.csv", "--out", "answers.csv", "--figure", "planes.pdf"]) == 0
    assert (workspace / "planes.pdf").read_bytes().startswith(b"%PDF-")
    answers = pd.read_csv(workspace / "answers.csv")
    assert answers.columns.tolist() == PREDICTION_COLUMNS
    assert answers["setup_id"].tolist() == ["S2", "S1"]
    assert answers["L"].tolist() == [1.2346, 1.2346]
    assert answers["target_dE00"].isna().tolist() == [False, True]
    assert answers["cause"].tolist() == ["unsure", "no_target"]
    assert (
        "2 set-ups: 0 straight to production, 1 with a test print first, 0 to change first, "
        "1 predictable but without a target." in capsys.readouterr().out
    )
    assert main(["predict", "jobs.csv", "--out", "answers.csv", "--figure", "planes.gif"]) == 2
    assert "--figure planes.gif: call it .png, .pdf or .svg." in one_sentence(capsys)
    for option, name, what in (
        ("--out", "answers.pdf", "a table goes there; call it .csv or .xlsx."),
        ("--page", "answers.xlsx", "a page goes there; call it .html or .htm."),
    ):
        assert main(["predict", "jobs.csv", "--out", "answers.csv", option, name]) == 2
        assert f"{name}: {what}" in one_sentence(capsys)
    assert main(["predict", "jobs.csv", "--out", "jobs.csv"]) == 2
    assert "write to another one" in one_sentence(capsys)
    assert main(["predict", "jobs.csv", "--out", "missing/", "--page", "."]) == 2
    assert ". is a folder" in one_sentence(capsys).replace(".: is", ". is")
    assert main(["predict", "jobs.csv"]) == 2
    assert "--out" in one_sentence(capsys)
    assert main(["predict", "nothing.csv", "--out", "x.csv"]) == 2
    assert "nothing.csv: there is no such file" in one_sentence(capsys)
    assert (workspace / "jobs.csv").read_text() == SETUPS


def test_predict_one_set_up_by_options(workspace, capsys, stub):
    main(["import", "../tables"])
    main(["learn"])
    capsys.readouterr()
    one = ["predict", "--ink", "007", "--substrate", "tee-black", "--mesh", "77-55"]
    assert main([*one, "--strokes", "1", "--target", "46,58.2,31"]) == 0
    assert "TEST PRINT FIRST" in capsys.readouterr().out
    assert main([*one, "--strokes", "1"]) == 0
    assert "PREDICTABLE, 1.2 dE00 FROM THE BUCKET" in capsys.readouterr().out
    assert main([*one, "--strokes", "2", "--flashes", "2"]) == 2
    assert "--flashes: 2 flashes do not fit between 2 strokes" in one_sentence(capsys)
    assert main([*one, "--strokes", "1", "--target", "46,58"]) == 2
    assert "give L,a,b as" in one_sentence(capsys)
    assert main([*one, "--strokes", "1", "--target", "46,58,x"]) == 2
    assert '--target "46,58,x" is no target; give L,a,b as' in one_sentence(capsys)
    assert main([*one, "--strokes", "1", "--base-mesh", "43-80"]) == 2
    assert (
        "--base-mesh: says nothing without the ink of the base; give --base-ink too"
        in one_sentence(capsys)
    )
    assert main([*one, "--strokes", "1", "--eom", "thin"]) == 2
    assert (
        '--eom: "thin" is not a number; write a number with a decimal point, or leave it out'
        in (one_sentence(capsys))
    )
    assert main([*one, "--strokes", "1", "--underbase-ink", "wite"]) == 2
    err = capsys.readouterr().err
    assert '--base-ink: "wite" is not in inks.csv; ' in err
    assert 'correct it (is "white Base white" meant?).' in err
    assert main([*one, "--strokes", "2"]) == 0
    assert "note: --flashes is not given; taken as no flash" in capsys.readouterr().err
    assert main(["predict", "--ink", "007", "--strokes", "1", "--flashes", "0"]) == 2
    assert "--garment: the option is missing; add it." in one_sentence(capsys)  # mesh: as usual
    for option, text, what in (
        ("--tolerance", "1,5", "one, with a point"),
        ("--squeegee", "70,5", "one, with a point"),
    ):
        assert main([*one, option, text]) == 2
        assert f'{option} "{text}" is not a number; write {what}.' in one_sentence(capsys)
    assert main([*one, "--strokes", "1,2"]) == 2
    assert "strikeoff compare, given the same words, shows them side" in one_sentence(capsys)
    for asked in (["Rot"], ["Rot", "--out", "a.csv"]):
        assert main(["predict", *asked]) == 2
        assert "Give an ink and a garment, names of several words in" in one_sentence(capsys)
    assert main(["predict", "jbos.csv", "--out", "a.csv"]) == 2
    assert "jbos.csv: there is no such file" in one_sentence(capsys)


def test_a_model_older_than_the_tables_is_told(workspace, capsys, stub):
    main(["import", "../tables"])
    main(["learn"])
    inks = TINY["inks.csv"] + "new,New,plastisol,colour,100\n"
    write_shop(workspace / "in", inks=inks)
    main(["import", "in"])
    (workspace / "jobs.csv").write_text(SETUPS)
    capsys.readouterr()
    assert main(["predict", "jobs.csv", "--out", "a.csv"]) == 0
    assert "the tables have changed since this model learnt" in capsys.readouterr().err
    (workspace / "jobs.csv").write_text(SETUPS.replace("007", "new"))
    assert main(["predict", "jobs.csv", "--out", "a.csv"]) == 0, "whatever it has learnt"


def test_another_tolerance_needs_no_learning_again(workspace, capsys, stub):
    main(["import", "../tables"])
    main(["learn"])
    toml = TINY["shop.toml"].replace("2.5", "3.5")
    write_shop(workspace / "in", shop=toml)
    main(["import", "in"])
    (workspace / "jobs.csv").write_text(SETUPS)
    capsys.readouterr()
    assert main(["predict", "jobs.csv", "--out", "a.csv", "--page", "a.html"]) == 0
    assert "changed" not in capsys.readouterr().err
    assert "3.5 dE00" in (workspace / "a.html").read_text(encoding="utf-8")


def test_outputs_that_cannot_be_written_are_told_before_the_work(workspace, capsys):
    (workspace / "jobs.csv").write_text(SETUPS)
    for out, page, said in (
        ("no/a.csv", "a.html", "no/a.csv: there is no folder no; make it first"),
        ("answer", "answer", "this file is written to already"),
        ("a.csv", ".", "is a folder"),
    ):
        main(["import", "../tables"])
        capsys.readouterr()
        assert main(["predict", "jobs.csv", "--out", out, "--page", page]) == 2
        assert said in one_sentence(capsys)  # and not that no model has been learnt


def test_an_interrupted_demo_leaves_everything_as_it_was(workspace, monkeypatch):
    from pipelines.commands import demo

    write_shop(workspace.parent / "shop" / "tables")
    (workspace.parent / "shop" / "next_week.csv").write_text(SETUPS)
    monkeypatch.setattr(demo, "demo_folder", lambda: workspace.parent / "shop")

    def interrupt(**_: object) -> None:
        assert (workspace / "datasets" / "demo" / "shop.db").is_file()
        raise KeyboardInterrupt

    monkeypatch.setattr(demo, "learn", interrupt)
    assert main(["demo"]) == 130
    assert list(workspace.iterdir()) == []
    main(["import", "../tables", "--shop", "demo"])
    path = workspace / "datasets" / "demo" / "shop.db"
    before = path.read_bytes()
    write_shop(workspace.parent / "shop" / "tables", inks=TINY["inks.csv"] + "new,New,silicone,,\n")
    assert main(["demo"]) == 130
    assert path.read_bytes() == before
    assert [file.name for file in path.parent.iterdir()] == ["shop.db"]


def test_interrupt_and_unwritable_places(workspace, capsys, monkeypatch):
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(store, "save", interrupt)
    assert main(["import", "../tables"]) == 130
    monkeypatch.undo()
    monkeypatch.chdir(workspace)
    (workspace / "datasets").write_text("a file where a folder should be")
    capsys.readouterr()
    assert main(["import", "../tables"]) == 2
    one_sentence(capsys)


def test_help_teaches_and_a_typing_mistake_is_one_sentence(workspace, capsys):
    assert main(["--help"]) == 0
    listed = re.findall(r"^    ([a-z-]+) ", capsys.readouterr().out, re.MULTILINE)
    assert len(listed) == len(COMMANDS) == len(set(listed))
    for command in listed:
        assert main([command, "--help"]) == 0
        assert f"Example:\n  strikeoff {command}" in capsys.readouterr().out
    assert main([]) == 2
    assert "The usual order:" in capsys.readouterr().err
    assert main(["import"]) == 2
    assert "Name the folder or workbook of the shop's tables" in one_sentence(capsys)
    assert main(["demo", "now"]) == 2
    told = "strikeoff demo does not know now; a shop is named with --shop now; see strikeoff demo"
    assert told in one_sentence(capsys)
    for command, meant in {
        ("predict", "red", "black", "--garmet", "x"): "know --garmet x (is --garment meant?); see",
        ("plan", "--garmet", "x", "--target", "#aa3322"): "know --garmet (is --garment meant?); ",
        ("doubts", "--keep", "P1"): "know --keep (is keep meant?); see strikeoff doubts --help",
        ("plan", "--colour", "#aa3322"): "know --colour; see strikeoff plan --help",
        ("list",): "Say what to list: strikeoff list inks, garments, screens, presses or jobs.",
    }.items():
        assert main(command) == 2
        assert meant in one_sentence(capsys)
    assert main(["learn", "/somewhere/shop"]) == 2
    told = "a folder to work in is given with --workspace /somewhere/shop; see strikeoff learn"
    assert told in one_sentence(capsys)
    assert main(["--workspace", "missing", "learn"]) == 2
    assert "missing: there is no such workspace folder" in one_sentence(capsys)
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("strikeoff ")
    assert main(["lern"]) == 2
    assert 'there is no command "lern" (is learn meant?); see strikeoff --help' in (
        one_sentence(capsys)
    )


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("record m.csv --condition M7", '--condition "M7" is none of these: M0, M1, M2, M3'),
        ("list inkz", '"inkz" is none of these: inks, '),
        ("learn --shop", "--shop stands without what belongs after it; see strikeoff learn"),
        ("history --take-back 1 --put-back 2", "--put-back and --take-back do not go together"),
        ("new-ink", "still to be given: --ink; see strikeoff new-ink --help"),
        (
            "plan --target 50,50,50 --garment x --tolerance 60",
            "--tolerance 60: give a dE00 from 0.05",
        ),
        ("learn --details=x", "--details takes nothing after it"),
        ("history --take-back x", '"x" is no number of a batch; strikeoff history lists them.'),
        ("record m.csv --replace 1.5", '"1.5" is no number of a batch; strikeoff history lists'),
    ],
)
def test_a_slip_in_an_option_is_told_in_words_of_our_own(typed, told, capsys):
    assert main(typed.split()) == 2
    said = one_sentence(capsys)
    assert told in said
    assert "argument" not in said and "invalid" not in said and "expected" not in said


def loaded_after(code: str) -> set[str]:
    """Modules in memory after some code has run in a fresh interpreter."""
    code = f"import sys; {code}; print(*sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(out.stdout.splitlines()[-1].split())


def test_nothing_waits_for_packages_it_does_not_need():
    helps = (
        "import pipelines.cli as c; [c.main([*n, '--help']) for n in ([], ['predict'], ['plan'])]"
    )
    loaded = loaded_after(helps)
    assert not loaded & {"numpy", "pandas", "scipy", "sqlalchemy", "sklearn", "colour"}
    loaded = loaded_after("import pipelines.registry.opened, pipelines.words.prediction")
    assert not loaded & {"scipy", "sqlalchemy", "sklearn", "colour", "matplotlib"}
