"""A shop without a trouble is the same shop otherwise."""

from __future__ import annotations

import numpy as np
import pytest

from tests.worlds.kinder import TROUBLES
from tests.worlds.light import apart, lab_of
from tests.worlds.shop import draw_shop

SHOP = (7, 60, "plastisol", 20)


@pytest.mark.parametrize("trouble", TROUBLES)
def test_one_trouble_is_taken_away(trouble):
    hard, kind = draw_shop(*SHOP), draw_shop(*SHOP, without=[trouble])
    columns = ["ink", "cloth", "mesh", "base", "lot", "press", "day"]
    assert hard.history[columns].equals(kind.history[columns])
    labs = [lab_of(shop.world.reflectance(hard.history)) for shop in (hard, kind)]
    moved = apart(*labs).max()
    if trouble in ("gaps", "scatter"):  # which change what is known of a print, not its true colour
        assert moved == 0
    else:
        assert moved > 0.1
    left = kind.shown.isna().to_numpy().sum()
    assert (left < hard.shown.isna().to_numpy().sum()) == (trouble == "gaps")
    sds = [
        shop.world.next_prints(hard.history.head(20), draws=50).std(axis=0).mean()
        for shop in (hard, kind)
    ]
    assert (sds[1] < 0.7 * sds[0]) == (trouble == "scatter")


def test_without_lots_every_lot_is_its_ink():
    lots = draw_shop(*SHOP, without=["lots"]).world.lots
    absorbs, scatters = lots.spectral(np.arange(len(lots.ink)))
    assert (absorbs == 1).all() and (scatters == 1).all()
