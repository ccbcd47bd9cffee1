"""Batches of ink told apart: the strong one with about its per cent, usual ones not at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from learn.predict.lots import lots_of
from learn.predict.model import ShiftModel
from tests.small_demo import learnt, small_model, small_shop
from tests.worlds import tables
from tests.worlds.shop import draw_shop

SEED, SIZE = 21, 100  # of no part; its lot K07-04 is a quarter weaker, and four prints are of it


def test_a_weak_lot_of_a_foreign_world_is_told_with_its_per_cent():
    drawn = draw_shop(SEED, SIZE, "plastisol", ask=3)
    shop = tables.read(drawn)
    model = learnt(shop, max_iterations=8, restarts=0)
    lots = drawn.world.lots
    ink = drawn.world.inks.frame["ink_id"].to_numpy()[lots.ink]
    strength = {f"{i}-{n:02d}": s for i, n, s in zip(ink, lots.number, lots.strength, strict=True)}
    told = {lot.lot: lot for lot in lots_of(model, shop.prints)}
    assert [name for name, lot in told.items() if lot.news] == ["K07-04"]
    weak = told["K07-04"]
    first = shop.prints["ink_lot"].isin(["K07-01", "K07-02", "K07-03"])
    before = shop.prints.loc[first, "ink_lot"].map(strength).mean()
    true = 100 * np.expm1(strength["K07-04"] - before)
    assert true < -15
    assert abs(weak.percent - true) < 2 * weak.percent_sd < 12.2
    assert weak.surely_stronger
    assert "lighter" in weak.looks
    assert weak.agree == weak.prints == 4


def test_a_calm_shop_is_told_nothing():
    found = lots_of(small_model(), small_shop().prints)
    assert len(found) > 15
    assert not any(lot.news for lot in found)
    assert not any(lot.lot.endswith("L01") for lot in found)  # nothing before it


def test_prints_not_learnt_from_do_not_count():
    prints = small_shop().prints
    more = prints.tail(3).assign(print_id=["x", "y", "z"], ink_lot="never learnt")
    both = np.r_[np.arange(len(prints)), np.arange(3)]
    longer = prints.iloc[both].reset_index(drop=True)
    longer.loc[len(prints) :, ["print_id", "ink_lot"]] = more[["print_id", "ink_lot"]].to_numpy()
    assert lots_of(small_model(), longer) == lots_of(small_model(), prints)


def test_a_lot_named_where_none_ever_was_may_differ_as_lots_do():
    # else its band is that of the lots printed so far, and it goes untested
    shop = small_shop()
    untold = replace(shop, prints=shop.prints.assign(ink_lot=None))
    setups = untold.prints.tail(20).drop(columns=["L", "a", "b"]).reset_index(drop=True)
    told = learnt(untold, max_iterations=2, restarts=0)
    for model in (told, ShiftModel.from_state(*told.to_state())):
        of_none = model.predict_lab(setups)
        named = model.predict_lab(setups.assign(ink_lot="new"))
        more = named.covariance - of_none.covariance
        assert np.linalg.eigvalsh(more).min() > -1e-9
        assert np.median(np.trace(more, axis1=1, axis2=2)) > 0.1
        np.testing.assert_allclose(named.mean, of_none.mean, atol=1e-9)
