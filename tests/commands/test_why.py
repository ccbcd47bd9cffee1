"""`strikeoff why`: sentences and a table whose lines add up, on a page and as a figure."""

from __future__ import annotations

import re
import shlex

import numpy as np
import pytest

from learn.predict.shares import MOVERS, Mover, Shares
from pipelines.cli import main
from pipelines.words.why import Row, base_sentence, rows_of, sentence

SETUP = ["--ink", "C19", "--garment", "G02", "--mesh", "M77-55", "--strokes", "1"]
LINE = re.compile(r"^ +(-?\d+\.\d) +(-?\d+\.\d) +(-?\d+\.\d) +(-?\d+\.\d)  (.+)$", re.MULTILINE)


def test_the_lines_of_the_table_add_up(learnt_workspace, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(learnt_workspace)
    page, figure = tmp_path / "why.html", tmp_path / "why.svg"
    beside = ["--beside", "garment=G01", "--beside", "mesh=M61-64"]
    assert main(["why", *SETUP, *beside, "--page", str(page), "--figure", str(figure)]) == 0
    told = capsys.readouterr().out
    ways = told.split("\n\n")[:2]
    assert ["from the bucket" in ways[0], "from the other print" in ways[1]] == [True, True]
    for way in ways:
        *rows, whole = ([float(v) for v in line[:4]] for line in LINE.findall(way))
        # every number is rounded to a tenth
        assert np.abs(np.sum(rows, axis=0) - whole).max() < 0.051 * (len(rows) + 1)
    assert "the black cloth showing through" in ways[0]
    assert re.search(r"A base, .*\(U1\).* takes \d+\.\d of them away", " ".join(ways[0].split()))
    shown = page.read_text(encoding="utf-8")
    assert shown.count("<article") == 2
    assert shown.count("together") >= 4
    assert "dE00 away from the other print" in figure.read_text()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--beside", "ink=C02"], '--beside "ink" is no option of a set-up'),
        (["--beside", "garment"], "write it as NAME=VALUE"),
        (["--beside", "garment=nowhere"], '--garment: "nowhere"'),
        (["--garment", "black,white"], "strikeoff compare, given the same words, shows them"),
        (["--strokes", "1,2"], '--strokes "1,2" names 2, and why is about one set-up'),
        (
            ["--beside", "garment=white,navy"],
            "names 2, and why holds a print against one other: give one of them, or see all side "
            "by side with strikeoff compare C19 G02,white,navy --mesh M77-55 --strokes 1",
        ),
        (
            ["--beside", "garment=white", "--beside", "garment=navy"],
            "side with strikeoff compare C19 G02,white,navy --mesh M77-55 --strokes 1",
        ),
        (["--beside", "strokes=2, 3"], "--mesh M77-55 --strokes 1,2,3"),
        (["--base-strokes", "2"], "--base-strokes: says nothing without the ink of the base; give"),
    ],
)
def test_a_mistake_is_one_sentence(arguments, said, learnt_workspace, capsys, monkeypatch):
    monkeypatch.chdir(learnt_workspace)
    assert main(["why", *SETUP, *arguments]) == 2
    told = capsys.readouterr().err.strip()
    assert said in told
    assert len(told.splitlines()) == 1


def test_the_command_that_is_named_for_a_list_works(learnt_workspace, capsys, monkeypatch):
    monkeypatch.chdir(learnt_workspace)
    assert main(["why", *SETUP, "--beside", "garment=white,navy"]) == 2
    named = capsys.readouterr().err.partition("strikeoff compare ")[2]
    assert main(["compare", *shlex.split(named)]) == 0
    assert "Navy" in capsys.readouterr().out


def shares(**moved: float) -> Shares:
    lab = np.zeros((len(MOVERS), 3))
    for mover, value in moved.items():
        lab[MOVERS.index(Mover(mover)), 0] = -value
    end = np.array([50.0, 0, 0])
    return Shares(end - lab.sum(axis=0), end, lab, -lab[:, 0], np.full(len(MOVERS), 0.2))


def test_what_little_is_left_is_one_line_and_lines_add_up():
    found = shares(cloth=9.0, film=-1.0, lot=0.02, press=0.01)
    setup = {"substrate_id": "G", "colour_name": "Navy", "ink_id": "R", "mesh_id": "M"}
    rows = rows_of(found, setup)
    assert [row.words for row in rows] == [
        "the navy cloth showing through",
        "the film of mesh M",
        "all else",
    ]
    assert sum(row.dE00 for row in rows) == pytest.approx(8.03)


def test_sentences_tell_the_causes_and_what_takes_away():
    none = np.zeros(7)
    end = Shares(np.array([50.0, 0, 0]), np.array([34.0, 0, 0]), np.zeros((7, 3)), none, none)
    lab = (0.0, 0.0, 0.0)
    rows = [Row("the cloth", 14.0, lab), Row("the lot", 2.5, lab), Row("the film", -1.0, lab)]
    told = sentence(end, rows, "the bucket")
    total = f"{end.total_dE00:.1f}"
    assert told.startswith(f"{total} dE00 from the bucket, darker: 14.0 of the {total} come from")
    assert told.endswith("2.5 from the lot; the film takes 1.0 away.")
    unsure = [rows[0], rows[1]._replace(sure=False), rows[2]._replace(sure=False)]
    said = sentence(end, unsure, "the bucket")
    assert said.endswith(f"14.0 of the {total} come from the cloth.")
    assert "perhaps come from the lot" in sentence(end, unsure[1:], "the bucket")
    assert unsure[1].label == "the lot (not sure)"
    assert base_sentence(16.0, 5.0, "W", 0.99) == (
        "A base, W, takes 11.0 of them away: 5.0 dE00 from the bucket."
    )
    assert "A base, W, perhaps adds 2.0: " in base_sentence(3.0, 5.0, "W", 0.6)
    base = [Row("W, 2 strokes, as base", 20.0, lab), Row("the lot", 1.5, lab)]
    base += [Row("the film of M, 1 stroke", -5.5, lab)]
    assert sentence(end, base, "the bucket").endswith(
        ": W, 2 strokes, as base, alone makes 20.0, and the lot 1.5 more; the film of M, 1 stroke, "
        "takes 5.5 away."
    )
    still = end._replace(end=np.array([50.1, 0, 0]))
    assert sentence(still, [], "the bucket").startswith("Hardly moves")
