"""Reasons of a plan in words: made from what is decided, and nothing hangs on them."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from learn.planning.candidates import Limits
from learn.planning.plan import plan, usual_setup
from learn.planning.reasons import Why
from pipelines.words import reasons as words
from pipelines.words.reasons import PlanWords
from tests.small_demo import small_model, small_shop

GARMENTS = ["G01", "G02"]
LIMITS = Limits(inks=("C08", "C10"), meshes=("M43-80", "M120-34"), presses=("P1",))


def told(target: list[float]):
    usual = usual_setup(small_shop().prints, GARMENTS)
    return plan(small_model(), target, GARMENTS, limits=LIMITS, usual=usual)


def test_every_reason_has_words():
    assert set(words.REASONS) == set(Why)


def test_what_changes_is_said_from_the_two_set_ups():
    found = told([33, 55, 28])
    said = PlanWords(found, {"C08": "Signal red"})
    line = found.usual.to_dict()
    assert line["changes"] == ()
    assert said.changes(line) == "nothing: the usual set-up"
    base = {"underbase_ink_id": "U1", "underbase_mesh_id": "M43-80", "underbase_strokes": 2.0}
    line |= {"strokes": 2.0, "flash_count": 1.0, "base_on": ("G02",), **base}
    line |= {"changes": ("strokes", "base")}
    strokes = "print-flash-print instead of 1 stroke"
    assert found.usual["strokes"] == 1
    assert f"{strokes}; base U1 through M43-80, 2 strokes on G02 only" in said.changes(line)
    finer = {**line, "underbase_mesh_id": "M55-64", "changes": ("base",)}
    other = PlanWords(replace(found, usual=pd.Series(line)), {})
    told_of = "base U1 through M55-64, 2 strokes on G02 only, instead of through M43-80, 2 strokes"
    assert told_of in other.changes(finer)
    assert other.changes({**finer, "base_on": ()}) == "no base; usually over U1"


def test_a_plan_does_not_hang_on_its_words(monkeypatch):
    target = [60, -70, 60]  # no ink of these comes near
    before = told(target)
    said = PlanWords(before, {"C10": "Deep red"})
    assert (
        f"the nearest of these is {before.lines['worst_dE00'].min():.1f} dE00" in said.in_the_way()
    )
    for why in Why:
        monkeypatch.setitem(words.REASONS, why, "sheer luck")
    after = told(target)
    pd.testing.assert_frame_equal(after.lines, before.lines)
    assert after.in_the_way == before.in_the_way
    others = "; ".join(["sheer luck"] * (len(after.in_the_way) - 1))
    assert PlanWords(after, {}).in_the_way() == f"sheer luck: {others}."


@pytest.mark.parametrize(
    ("strokes", "flashes", "said"),
    [(1, 0, "1 stroke"), (2, 1, "print-flash-print"), (4, 2, "4 strokes with 2 flashes between")],
)
def test_strokes(strokes, flashes, said):
    assert words.strokes_words(strokes, flashes) == said
