"""A press by its name on the command line, told by its name, and never silently misspelt."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipelines.cli import main

PRESSES = (
    "press_id,press_name,aliases\nP1,Big carousel,Karussell\nP2,Small one,\nP3,Long,\nP9,Auto,\n"
)
PRINT = ["predict", "turquoise", "black tee", "--mesh", "43-80", "--strokes", "1"]


@pytest.fixture
def says(capsys):
    def run(root: Path, *command: str, code: int = 0) -> str:
        assert main(["--workspace", str(root), *command]) == code
        said = capsys.readouterr()
        return " ".join((said.err if code else said.out + said.err).split())

    return run


@pytest.fixture
def with_presses(learnt_workspace, tmp_path, says) -> Path:
    """The learnt shop, its presses named since."""
    shutil.copytree(learnt_workspace, tmp_path / "w")
    tables = tmp_path / "w" / "tables"
    (tables / "presses.csv").write_text(PRESSES)
    says(tmp_path / "w", "import", str(tables), "--shop", "s")
    return tmp_path / "w"


def test_a_press_is_listed_named_and_told_by_its_name(with_presses, tmp_path, says):
    listed = says(with_presses, "list", "presses", "karussell")
    assert "P1 Big carousel" in listed
    said = says(with_presses, *PRINT, "--press", "big carousel")
    assert 'read "big carousel" as press Big carousel (P1).' in said
    assert "Press Big carousel (P1)" in said
    never = says(with_presses, *PRINT, "--press", "auto")  # in the table, never printed on
    assert "Press Auto (P9)" in never
    slip = says(with_presses, *PRINT, "--press", "big carusel", code=2)
    assert '--press: "big carusel" is not in presses.csv' in slip
    assert 'is "P1 Big carousel" meant?' in slip
    says(with_presses, "export", str(tmp_path / "back"))
    assert (tmp_path / "back" / "presses.csv").read_text() == PRESSES


def test_plan_mix_and_new_ink_take_the_name_too(with_presses, tmp_path, says):
    job = ["--target", "45,30,20", "--garment", "black", "--press", "karusell"]
    for command in ("plan", "mix"):
        assert "Big carousel" in says(with_presses, command, *job, code=2)
    assert "Big carousel" in says(
        with_presses, "new-ink", "--ink", "turquoise", "--press", "karusell", code=2
    )


def test_without_names_a_press_no_print_names_is_told(learnt_workspace, says):
    said = says(learnt_workspace, *PRINT, "--press", "P22")
    assert '--press: no print so far names a press "P22"' in said
    assert "names a press" not in says(learnt_workspace, *PRINT, "--press", "p 2")
