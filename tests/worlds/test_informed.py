"""Who knows all but lots and empty cells knows less than an oracle, and otherwise the same."""

from __future__ import annotations

import numpy as np
import pytest

from tests.worlds.informed import Informed
from tests.worlds.shop import draw_shop
from tests.worlds.world import chance_within

SHOP = (1101, 200, "water")
DRAWS = 200


@pytest.fixture(scope="module")
def drawn():
    return draw_shop(*SHOP)


def _chances(drawn, kind):
    query = drawn.queries[kind]
    informed = Informed.of(drawn).next_prints(query, DRAWS)
    oracle = drawn.world.next_prints(query.setups, DRAWS)
    return (chance_within(prints, query.target, 2.0) for prints in (informed, oracle))


def test_nobody_informed_lets_more_go_than_an_oracle_where_something_is_not_known(drawn):
    informed, oracle = _chances(drawn, "lot_new")
    assert (informed >= 0.9).sum() < (oracle >= 0.9).sum()


def test_without_lots_and_gaps_nothing_is_left_to_know():
    plain = draw_shop(*SHOP, without=["lots", "gaps"])
    informed, oracle = _chances(plain, "next")
    # a lot that is its ink may still have been otherwise: by as much as none of them is
    assert np.abs(informed - oracle).mean() < 0.03


def test_a_lot_is_the_better_known_the_more_it_was_printed(drawn):
    known = Informed.of(drawn)
    prints = drawn.history["lot"].value_counts().reindex(range(len(known.mean)), fill_value=0)
    sd = np.sqrt(known.covariance[:, 0, 0])
    often, once = (prints >= 6).to_numpy(), (prints == 1).to_numpy()
    assert np.median(sd[often]) < np.median(sd[once])
    assert known.printed[often | once].all()
