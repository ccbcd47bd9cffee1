"""Whole plans: set-ups found, bases, what is out of reach."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from learn.planning.candidates import Limits
from learn.planning.pareto import STEPS, WIDE
from learn.planning.plan import plan
from learn.predict.garments import joint
from tests.small_demo import GARMENTS, SMALL, small_model


def test_a_set_up_hidden_in_the_grid_is_found(grid):
    hidden = grid.setups(np.array([len(grid) // 3]))
    target = joint(small_model(), hidden, ["G04"]).mean[0, 0]
    told = plan(small_model(), target, ["G04"], limits=SMALL)
    assert told.lines["worst_dE00"].min() < 0.3
    assert told.reached
    assert not told.in_the_way


def test_base_where_needed(small_plan):
    mixed = plan(
        small_model(), small_plan.target, ["G01", "G02"], limits=SMALL, tolerance=6, most=40
    )
    shared = mixed.colours.groupby("line")["based"].agg(["any", "all"])
    assert (shared["any"] & ~shared["all"]).any() or (shared["all"]).all()
    for i, on in enumerate(mixed.lines["base_on"], start=1):
        colours = mixed.colours[mixed.colours["line"] == i]
        assert set(on) == set(colours.loc[colours["based"], "substrate_id"])


def test_out_of_reach_says_how_near_and_why():
    told = plan(small_model(), [60, -70, 60], GARMENTS, limits=SMALL)
    assert not told.reached
    assert "the nearest is" in told.in_the_way[0]
    assert any("a mix may reach it" in sentence for sentence in told.in_the_way)


@pytest.mark.parametrize(("target", "inks"), [([33, 55, 28], 3), ([75, 15, 75], 1)])
def test_lines_of_one_ink_and_base_differ_in_something_that_matters(target, inks):
    told = plan(small_model(), target, ["G01", "G02"], tolerance=4, most=12).lines
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
