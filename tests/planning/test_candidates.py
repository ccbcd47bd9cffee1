"""Set-ups to look at, block by block and within limits."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

from learn.planning.candidates import Limits
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
