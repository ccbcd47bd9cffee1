"""Every reason of a plan is a claim about the model: random jobs, held against the model."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import delta_e00
from learn.planning.alone import alone
from learn.planning.candidates import Grid, Limits
from learn.planning.plan import usual_setup
from learn.planning.reasons import Reason, Why
from learn.shop import latest_lots
from tests.planning.checked import Checked, Told, looks_right
from tests.small_demo import GARMENTS, learnt, small_model, small_shop
from tests.worlds import tables
from tests.worlds.parts import PARTS
from tests.worlds.shop import draw_shop

JOBS = 8
TURNED = {
    Why.MORE_INK: Why.LESS_INK,
    Why.HIDES_MORE: Why.HIDES_LESS,
    Why.LIGHTER_GROUND: Why.DARKER_GROUND,
    Why.LESS_INK: Why.MORE_INK,
    Why.HIDES_LESS: Why.HIDES_MORE,
    Why.DARKER_GROUND: Why.LIGHTER_GROUND,
}


@cache
def demo() -> Checked:
    limits = Limits(meshes=("M43-80", "M77-55", "M90-48", "M120-34"), presses=("P1",))
    return Checked(small_model(), usual_setup(small_shop().prints, GARMENTS), GARMENTS, limits)


@cache
def harsher() -> Checked:
    """A small shop of the second family."""
    shop = tables.read(draw_shop(*next(w for w in PARTS["choose"] if w.kind == "few")))
    model = learnt(shop, restarts=0)
    usual = usual_setup(shop.prints, [])
    garments = shop.prints["substrate_id"].value_counts().index[:3].tolist()
    limits = Limits(presses=(usual["press_id"],), lots=latest_lots(shop.prints))
    return Checked(model, usual, garments, limits)


@pytest.mark.parametrize("shop", [demo, harsher])
def test_reasons_are_true_of_the_model(shop):
    found = pd.DataFrame(shop().claims(JOBS, seed=3))
    assert len(found) > 100
    assert found["said"].nunique() > 8
    wrong = found[~found["right"]]
    assert len(wrong) <= 0.03 * len(found), wrong.to_string()


def test_what_is_turned_round_is_found_out():
    shop = demo()
    right = []
    for told in shop.told(JOBS, 3):
        why = [tuple(TURNED.get(r.why, r.why) for r in own) for own in told.plan.lines["why"]]
        whys = [
            tuple(
                r._replace(why=turned)
                for r, turned in zip(own, ways, strict=True)
                if turned != r.why
            )
            for own, ways in zip(told.plan.lines["why"], why, strict=True)
        ]
        lines = told.plan.lines.assign(why=pd.Series(whys, dtype=object))
        claims = Told(shop, told.job, replace(told.plan, lines=lines)).reasons()
        right += [claim.right for claim in claims if claim.said in set(TURNED.values())]
    assert len(right) > 10
    assert np.mean(right) < 0.2


def test_looks_are_found_out():
    one = Reason(Why.OTHER_INK, looks=("lighter", "duller", "yellower"))
    true, false = np.array([45.0, 50, 40]), np.array([35.0, 70, 20])
    assert [c.right for c in looks_right(one, true, np.array([40.0, 60, 35]))] == [True] * 3
    assert [c.right for c in looks_right(one, false, np.array([40.0, 60, 35]))] == [False] * 3


@pytest.mark.parametrize("garment", GARMENTS)
def test_one_garment_alone_is_found_as_by_trying_all(garment):
    shop = demo()
    grid, at = Grid.of(shop.model, shop.limits), GARMENTS.index(garment)
    shop = replace(shop, usual=dict.fromkeys(shop.usual))
    for target in ([33, 55, 28], [70, 5, 60], [50, 10, -30], [15, 0, 0]):
        told = alone(shop.model, grid, np.array(target, float), garment, 2.0)
        best = delta_e00(shop.lab[:, at], np.array(target, float)).min()
        assert best <= told.dE00 + 1e-9
        assert told.dE00 <= best + 0.05
