"""Whole plans: set-ups found, bases, what is out of reach."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import delta_e00
from learn.planning.candidates import Limits
from learn.planning.pareto import STEPS, WIDE
from learn.planning.plan import plan, usual_setup
from learn.planning.reasons import Why
from learn.predict.garments import joint
from learn.shop import UNDERBASE
from tests.small_demo import GARMENTS, SMALL, small_model


def test_a_set_up_hidden_in_the_grid_is_found(grid):
    hidden = grid.setups(np.array([len(grid) // 3]))
    target = joint(small_model(), hidden, ["G04"]).mean[0, 0]
    told = plan(small_model(), target, ["G04"], limits=SMALL)
    assert told.lines["worst_dE00"].min() < 0.3
    assert told.reached
    assert not told.in_the_way
    # scatter only adds to so small a difference: its interval begins with it
    assert (told.lines["worst_lo"] <= told.lines["worst_dE00"]).all()


def test_base_where_needed():
    """A red between what bright red is on bare white and on based black cotton: white does
    without a base there, black cannot. Checked on single predictions of either way."""
    setup = pd.DataFrame([{"ink_id": "C08", "mesh_id": "M77-55", "strokes": 1.0}])
    setup = setup.assign(flash_count=0.0, press_id="P1", underbase_ink_id="U1")
    setup = setup.assign(underbase_mesh_id="M43-80", underbase_strokes=2.0)
    both = ["G01", "G02"]  # white and black cotton
    target = joint(small_model(), setup, both, np.array([[False, True]])).mean[0].mean(axis=0)
    told = plan(small_model(), target, both, limits=SMALL, tolerance=3, most=40)
    on = told.lines["base_on"].tolist()
    assert ("G02",) in on
    assert ("G01",) not in on
    for line, garments in enumerate(on, start=1):
        based = told.colours[told.colours["line"] == line].set_index("substrate_id")["based"]
        assert [g for g in both if based[g]] == list(garments)
    here = told.lines[[g == ("G02",) for g in on]]
    dE = {
        way: delta_e00(joint(small_model(), here, both, np.full((len(here), 2), way)).mean, target)
        for way in (True, False)
    }
    bare_white, based_white, bare_black = dE[False][:, 0], dE[True][:, 0], dE[False][:, 1]
    assert (bare_white <= np.maximum(based_white, 0.5 * told.tolerance) + 1e-6).all()
    assert (bare_black > told.tolerance).all()


def test_out_of_reach_says_how_near_and_why():
    told = plan(small_model(), [60, -70, 60], GARMENTS, limits=SMALL)
    assert not told.reached
    chance, nearest, *others = told.in_the_way
    assert chance.why == Why.NO_CHANCE
    assert nearest.why == Why.NEAREST
    assert nearest.value == told.lines["worst_dE00"].min()
    assert Why.NO_BUCKET in {one.why for one in others}


@pytest.mark.parametrize(("target", "inks"), [([33, 55, 28], 3), ([75, 15, 75], 1)])
def test_lines_of_one_ink_and_base_differ_in_something_that_matters(target, inks):
    told = plan(small_model(), target, ["G01", "G02"], tolerance=4, most=12).lines
    assert (told["spread_lo"] <= told["spread_dE00"]).all()
    values = told[list(STEPS)].to_numpy() / list(STEPS.values())
    base = told["underbase_ink_id"].where(told["base_on"].map(len) > 0, "")
    way = list(zip(told["ink_id"], base, strict=True))
    alike = [(i, j) for i, j in itertools.combinations(range(len(told)), 2) if way[i] == way[j]]
    assert len(told) > 1
    assert all(np.abs(values[i] - values[j]).max() >= WIDE for i, j in alike)
    assert len(set(told["ink_id"])) == inks  # another one, where the first is not at hand
    assert told["p_all"].iloc[0] >= told["p_all"].max() - STEPS["p_all"]


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"target": [45, 200, 0]}, "the target's a is 200"),
        ({"garments": ["G99"]}, "garment 'G99' is in none"),
        ({"garments": []}, "no garment to print on"),
        ({"tolerance": 0}, "must be above 0"),
        ({"limits": Limits(inks=("Q",))}, "ink 'Q' is in none"),
        ({"limits": Limits(inks=())}, "no ink to print with"),
        ({"limits": Limits(max_film_um=1.0)}, "so thin a film"),
    ],
)
def test_bad_input_is_one_sentence(changes, sentence):
    asked = {"target": [33, 55, 28], "garments": ["G01"], **changes}
    with pytest.raises(ValueError, match=sentence):
        plan(small_model(), asked.pop("target"), asked.pop("garments"), **asked)


def test_a_base_is_usual_by_its_ink_before_how_it_is_laid():
    """Some by one stroke, some by two: most have it, though each way is rarer than none."""
    laid = [("W", "43", 1.0)] * 7 + [("W", "43", 2.0)] * 5 + [(None, None, np.nan)] * 8
    prints = pd.DataFrame(laid, columns=UNDERBASE).assign(
        substrate_id="tee", mesh_id="77", strokes=1.0, flash_count=0.0, press_id="P"
    )
    usual = usual_setup(prints, ["tee"])
    assert [usual[c] for c in UNDERBASE] == ["W", "43", 1.0]
    assert usual_setup(prints.tail(13), ["tee"])[UNDERBASE[0]] is None
