"""Set-ups to look at, block by block and within limits."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from learn.planning.candidates import Grid, Limits, never_over
from learn.planning.plan import plan
from tests.small_demo import small_model


def test_blocks_and_film_limit(grid):
    numbers = np.concatenate(list(grid.blocks(97)))
    assert_allclose(numbers, np.arange(len(grid)))
    thin = Limits(inks=("C08",), presses=("P1",), max_film_um=30)
    told = plan(small_model(), [33, 55, 28], ["G01"], limits=thin)
    assert (told.lines["film_um"] <= 30).all()
    films = small_model().films_um(grid.setups(numbers).assign(substrate_id="G01"))
    assert sum(films).max() > 60  # the limit had something to do


def test_an_ink_is_not_planned_over_a_base_its_type_was_never_printed_over():
    model = copy.copy(small_model())
    inks = model.encoder_.inks
    water = inks.assign(ink_type=inks["ink_type"].where(inks.index != "C19", "water_based"))
    model.encoder_ = replace(model.encoder_, inks=water)
    strange = never_over(model, ["C08", "C19"], [None, "U1"])
    assert strange.tolist() == [[False, False], [False, True]]
    either = Grid.of(model, Limits(meshes=("M43-80",), max_strokes=1))
    left = either.setups(either.usual(np.arange(len(either))))
    based = left["underbase_ink_id"].notna()
    assert "C19" in set(left.loc[~based, "ink_id"]) - set(left.loc[based, "ink_id"])
    assert {"C08", "C10"} <= set(left.loc[based, "ink_id"])
    for limits in (
        Limits(inks=("C19",), underbases=("U1",)),  # what is named is meant
        Limits(inks=("C19",), bare=False),  # there is nothing else
    ):
        grid = Grid.of(model, limits)
        assert len(grid.usual(np.arange(len(grid)))) == len(grid)
