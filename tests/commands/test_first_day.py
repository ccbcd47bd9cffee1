"""A shop on its first day: nothing printed yet, and no command is a dead end."""

from __future__ import annotations

import shutil

import pytest

from pipelines.cli import main
from tests.tiny_shop import TINY, write_shop

SET_UP = ["--ink", "007", "--garment", "tee-black", "--mesh", "77-55", "--strokes", "1"]
TARGET = ["--target", "40,50,20"]


@pytest.fixture(scope="module")
def learnt(tmp_path_factory):
    """A workspace whose shop has inks, a garment and screens, and has learnt from no print."""
    folder = tmp_path_factory.mktemp("first")
    header = TINY["prints.csv"].splitlines()[0] + "\n"
    write_shop(folder / "tables", prints=header)
    with pytest.MonkeyPatch.context() as at:
        at.chdir(folder)
        assert main(["import", "tables", "--shop", "tiny"]) == 0
        assert main(["learn", "--workers", "1"]) == 0
    return folder


@pytest.fixture
def workspace(learnt, tmp_path, monkeypatch):
    shutil.copytree(learnt, tmp_path / "copy")
    monkeypatch.chdir(tmp_path / "copy")


@pytest.mark.parametrize(
    "command",
    [
        ["status"],
        ["predict", *SET_UP],
        ["predict", *SET_UP, *TARGET],
        ["plan", *TARGET, "--garment", "tee-black", "--ink", "007"],
        ["compare", *SET_UP[:-1], "1,2"],
        ["why", *SET_UP],
        ["list", "inks"],
        ["doubts"],
        ["models"],
        ["targets"],
        ["history"],
        ["start", "new", "--first-prints"],
        ["export", "out"],
    ],
    ids=lambda command: " ".join(command[:1] + command[-1:]),
)
def test_a_shop_without_a_print_is_answered(workspace, capsys, command):
    assert main(command) == 0
    said = capsys.readouterr()
    assert said.out.strip()
    assert "straight to production\n" not in said.out.lower()
    assert "nan" not in said.out.lower().split()


@pytest.mark.parametrize(
    ("command", "advice"),
    [
        (["new-ink", "--ink", "007"], "white and a black garment"),
        (
            ["predict", "007", "tee-black"],
            "--mesh: the option is missing, and nothing is usual in this shop yet; add it.",
        ),
        (["check", "--quick"], "measure more prints"),
        (
            ["plan", *TARGET, "--garment", "tee-black", "--ink", "blue"],
            "Nothing is measured and nothing printed of ink Blau Größe 3 (blue) by itself, so "
            "there is no telling how it prints: draw it down",
        ),
        (
            ["mix", *TARGET, "--garment", "tee-black", "--mesh", "77-55"],
            "A mix needs two inks: nothing is measured and nothing printed of ink Blau",
        ),
    ],
)
def test_what_needs_prints_says_so(workspace, capsys, command, advice):
    assert main(command) == 2
    assert advice in " ".join(capsys.readouterr().err.split())


def test_tables_without_a_print_lead_on_and_no_shop_at_all_does_too(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["status"]) == 2
    told = capsys.readouterr().err
    assert "strikeoff import TABLES" in told and "strikeoff start FOLDER" in told
    write_shop(tmp_path / "tables", prints=TINY["prints.csv"].splitlines()[0] + "\n")
    assert main(["import", "tables"]) == 0
    assert "Next: strikeoff start FOLDER --first-prints" in capsys.readouterr().out
    write_shop(tmp_path / "tables")
    assert main(["import", "tables"]) == 0
    assert "Next:" not in capsys.readouterr().out


def test_an_ink_of_which_nothing_is_known_is_left_out_of_a_plan(workspace, capsys):
    """No claim is made on its colour; asked about by itself, it is never beyond a test print."""
    assert main(["plan", *TARGET, "--garment", "tee-black"]) == 0
    said = capsys.readouterr()
    assert "left out: nothing is measured and nothing printed of ink Blau" in said.err
    assert "Base white (white)" in said.err  # a base too
    assert "blue" not in said.out and "white" not in said.out
    setup = ["blue" if part == "007" else part for part in SET_UP]
    assert main(["predict", *setup, "--target", "20,80,80"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "nothing of ink Blau Größe 3 (blue) by itself is measured or printed yet" in told
    assert "will not help" not in told


def test_status_says_what_to_print_first(workspace, capsys):
    assert main(["status"]) == 0
    assert "--first-prints" in capsys.readouterr().out


def test_first_prints_are_no_slips_before_any_was_learnt(workspace, tmp_path, capsys):
    """What a model of no print expects rests on cards and theory: no ground to doubt a print."""
    rows = [line for line in TINY["prints.csv"].splitlines() if line]
    (tmp_path / "first.csv").write_text("\n".join(rows) + "\n")
    assert main(["record", str(tmp_path / "first.csv")]) == 0
    said = capsys.readouterr()
    assert "doubtful" not in said.out and "3 prints to learn from" in said.out
    assert "has learnt from no print" in said.err
