"""`doubts` as a user meets it; a known shop stands for the model."""

from __future__ import annotations

import re
import shutil
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import srgb_hex, viewing
from pipelines.ledger import store
from pipelines.registry import versions
from pipelines.registry.in_folder import InFolder
from pipelines.registry.opened import open_model
from tests.commands.counter import DATABASE, GOOD, learnt_from, says, write


@pytest.mark.usefixtures("model")
def test_doubtful_prints_are_set_aside_in_words_and_decided_on(shop, capsys):
    rows = [GOOD, GOOD.replace("R1", "R2").replace("59.8,34.6", "34.6,59.8"),
            GOOD.replace("R1", "R3").replace("45.4,59.8,34.6", "30.5,10.2,-50.1"),
            GOOD.replace("R1", "R4").replace("45.4", "56.1")]  # fmt: skip
    said = says(capsys, "record", write("b.csv", *rows))
    assert "1 print to learn from, 3 doubtful and set aside" in said
    assert "dE00 from expected; looks like a and b exchanged: was it typed so?" in said
    assert "looks like ink Blau Größe 3 (blue) instead of Red, warm (007): was it swapped?" in said
    assert "dE00 from expected (L, a, b 45, 60, 35)" in said
    said = says(capsys, "doubts")
    assert "4 prints set aside on arrival" in said
    assert "P3  batch 1: far off (model 0001)" in said
    assert "\x1b[" not in said  # no colours into a pipe

    wrong = says(capsys, "doubts", "correct", "R4", "--flashes", "9", code=2)
    assert "R4 cannot be learnt from like this: flash_count: 9 flashes do not fit" in wrong
    says(capsys, "doubts", "correct", "R3", "--ink", "blue")
    said = says(capsys, "doubts", "correct", "R2", "--lab", "45,4;59,8;34,6")
    assert "R2: a 34.6 -> 59.8" in said
    assert "R2 is learnt from." in said
    still = says(capsys, "doubts", "correct", "R4", "--lab", "56,58,31", "--reason", "rounded")
    assert "It stays set aside: corrected, but still" in still
    assert "counts from now on" not in still and "?." not in still
    assert "If it is right all the same: strikeoff doubts keep R4\n" in still
    assert "R4 lies 14 times the usual scatter" in says(capsys, "doubts", "keep", "R4")
    says(capsys, "doubts", "set-aside", "R4", "--reason", "smeared")
    says(capsys, "doubts", "keep", "P3")
    assert learnt_from() == ["P1", "P3", "R1", "R2", "R3"]
    assert store.read(DATABASE).trusted == {"P3"}
    said = says(capsys, "doubts", "--all")
    assert "R4  batch 2: smeared (" in said
    assert "P3" not in said
    assert "P2  batch 1" in said
    said = says(capsys, "history", "2")
    assert "R3 corrected: ink_id 007 -> blue" in said
    assert "R4 set aside: smeared" in said
    assert "stands already" in says(capsys, "doubts", "keep", "P3")
    assert "2 of them are set aside, and stand there too." in says(capsys, "export", "out")


@pytest.mark.usefixtures("model")
def test_doubts_are_shown_beside_what_was_expected(shop, capsys, monkeypatch):
    swapped = GOOD.replace("R1", "R3").replace("45.4,59.8,34.6", "30.5,10.2,-50.1")
    says(capsys, "record", write("b.csv", GOOD, swapped))
    # the learner sets aside what came in right, and what somebody typed into the wrong column
    facts = {"set_aside": [{"print_id": one, "reason": "far off"} for one in ("R1", "P3")]}
    facts |= {"rows": {"prints": 3}, "validation": {"median_dE00": 0.5, "coverage90": 0.9}}
    versions.save(InFolder(Path("models/tiny")), {"x": np.zeros(1)}, {}, facts)
    database = DATABASE.read_bytes()
    said = says(capsys, "doubts", "--page", "d.html")
    assert "R1  batch 2: far off (model 0002)\n" in said  # right as it is: nothing to guess
    page = Path("d.html").read_text(encoding="utf-8")
    for one in ("R1", "R3", "P3"):
        assert f"strikeoff doubts keep {one}<" in page
    assert "looks like ink Blau Größe 3 (blue) instead of Red, warm (007)" in page
    lab = [[30.5, 10.2, -50.1], [45.0, 60.0, 35.0]]
    for fill in srgb_hex(np.array(lab), viewing("D50", "2")):  # measured, expected
        assert f"background:{fill}" in page
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setenv("COLORTERM", "truecolor")
    assert "\x1b[48;2;" in says(capsys, "doubts")
    monkeypatch.setenv("COLORTERM", "")
    assert "\x1b[" not in says(capsys, "doubts")
    assert "--page is of the list" in says(
        capsys, "doubts", "keep", "R3", "--page", "x.html", code=2
    )
    assert DATABASE.read_bytes() == database


def test_a_print_of_an_ink_the_model_has_not_learnt_is_looked_at(
    learnt_workspace, tmp_path, capsys
):
    root = tmp_path / "w"
    shutil.copytree(learnt_workspace, root)
    (root / "in").mkdir()
    for name, column in (("inks", "ink_id"), ("drawdowns", "ink_id"), ("prints", "ink_id")):
        rows = pd.read_csv(root / "tables" / f"{name}.csv", dtype=str, keep_default_na=False)
        rows = rows[rows[column] == "C19"].assign(ink_id="N1")
        if name == "prints":  # a turquoise as red as can be
            rows = rows.head(1).assign(print_id="X1", ink_lot="", L="45", a="60", b="40")
            rows = rows[[c for c in rows if not re.match(r"r\d", c)]]
        rows.to_csv(root / "in" / f"{name}.csv", index=False)
    at = ["--workspace", str(root)]
    assert "1 doubtful and set aside" in says(capsys, *at, "record", str(root / "in"))
    page = tmp_path / "d.html"
    says(capsys, *at, "doubts", "--page", str(page))
    shown = page.read_text(encoding="utf-8")
    own = next(part for part in shown.split("<article") if "doubts keep X1<" in part)
    measured, expected = re.findall(r"background:(#[0-9a-f]{6})", own)
    assert measured == srgb_hex(np.array([45.0, 60.0, 40.0]), viewing("D50", "2"))
    red, green, blue = (int(expected[i : i + 2], 16) for i in (1, 3, 5))
    assert red < min(green, blue)  # turquoise, by its cards


def test_nothing_comes_in_past_a_model_that_cannot_be_read(shop, model, monkeypatch, capsys):
    class OfOlderForm:
        @classmethod
        def from_state(cls, arrays, meta):
            raise ValueError

    monkeypatch.setitem(sys.modules, "learn.predict.model", SimpleNamespace(ShiftModel=OfOlderForm))
    monkeypatch.setattr("pipelines.registry.gate.open_model", open_model)
    before = DATABASE.read_bytes()
    for command in (["record", write("b.csv", GOOD)], ["doubts", "correct", "P1", "--lot", "L9"]):
        said = says(capsys, *command, code=2)
        assert "cannot be read by this version; run strikeoff learn first, then this again" in said
    assert DATABASE.read_bytes() == before


def test_mistakes_at_deciding_are_one_sentence(shop, capsys):
    for command, told in (
        (["keep"], "Name the print"),
        (["keep", "P9"], 'There is no print "P9"'),
        (["keep", "P2"], 'P2 cannot be learnt from like this: L: "n/a" is not a number'),
        (["set-aside", "P1"], "Say why it is set aside"),
        (["correct", "P1"], "Say what is corrected"),
        (["correct", "P1", "P3", "--ink", "blue"], "one print at a time"),
        (["correct", "P1", "--ink", "green"], '"green" is not in inks.csv'),
        (["correct", "P1", "--lab", "1,2"], "give L, a and b"),
        (["correct", "P1", "--squeegee", "70,5"], '--squeegee "70,5" is not a number'),
        (["keep", "P1", "--ink", "blue"], "strikeoff doubts correct"),
    ):
        before = DATABASE.read_bytes()
        assert told in says(capsys, "doubts", *command, code=2)
        assert DATABASE.read_bytes() == before


def test_what_is_decided_says_whether_it_counts_already(
    learnt_workspace, tmp_path, monkeypatch, capsys
):
    """What was never learnt is learnt in passing by whoever answers; what was learnt is not
    unlearnt so."""
    root = Path(shutil.copytree(learnt_workspace, tmp_path / "w"))
    monkeypatch.chdir(root)
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    prints = store.read(next(root.glob("datasets/*/shop.db"))).tables["prints"].tail(1)
    old = prints["print_id"].item()
    prints.assign(print_id="NEW").to_csv("new.csv", index=False)
    says(capsys, "record", "new.csv")
    waits, at_once = "strikeoff learn makes it count.\n", "It counts from now on"
    why = "--reason", "smeared"
    assert f"{at_once}.\n" in says(capsys, "doubts", "set-aside", "NEW", *why)
    said = says(capsys, "doubts", "keep", "NEW")
    assert f"{at_once}; strikeoff learn takes it in for good.\n" in said
    assert waits in says(capsys, "doubts", "set-aside", old, *why)
    assert f"{at_once}.\n" in says(capsys, "doubts", "restore", old)
    assert "Leaving it out counts from now on.\n" in says(capsys, "history", "--take-back", "2")
    assert waits in says(capsys, "doubts", "correct", old, "--strokes", "3", "--flashes", "0")
