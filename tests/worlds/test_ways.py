"""True ways add up, and a cause that is not there moves nothing."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.testing import assert_allclose

from learn.predict.shares import MOVERS, Mover
from tests.worlds.shop import Drawn, draw_shop
from tests.worlds.ways import PLACES, Ways

SEED, SIZE = 28, 60  # of no part


@cache
def shop() -> Drawn:
    return draw_shop(SEED, SIZE, "few", ask=40)


def test_steps_lead_from_the_bucket_to_the_print():
    ways, query = Ways(shop()), shop().queries["next"]
    steps = ways.from_buckets(query.setups)
    bucket = ways.buckets(query.setups["ink"].to_numpy())
    assert_allclose(bucket + steps.sum(axis=1), query.true_lab, atol=1e-9)
    bare = query.setups["base"].to_numpy() < 0
    assert 0 < bare.sum() < len(bare)
    based = np.abs(steps[:, MOVERS.index(Mover.BASE)]).max(axis=1)
    assert (based[bare] == 0).all()
    assert (based[~bare] > 0).all()


def test_only_what_differs_moves_one_print_from_another():
    ways, setups = Ways(shop()), shop().queries["next"].setups.head(10)
    other = setups.assign(cloth=(setups["cloth"] + 1) % 5, mesh=(setups["mesh"] + 1) % 4)
    moved = ways.apart(setups, other)
    assert_allclose(moved.sum(axis=1), ways.of(setups) - ways.of(other), atol=1e-9)
    by_place = dict(zip(PLACES, np.abs(moved).max(axis=(0, 2)), strict=True))
    assert by_place["cloth"] > 1
    assert by_place["film"] > 0.1
    assert max(by_place["base"], by_place["lot"], by_place["press"]) < 1e-12
