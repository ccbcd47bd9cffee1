"""Shares of a shift: they add up, are fair, and are nothing where nothing acts."""

from __future__ import annotations

from functools import cache
from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from learn.colour.colorimetry import delta_e00
from learn.errors import Unusable
from learn.predict.shares import MOVERS, Mover, Shares, from_bucket, from_print, shapley
from tests.small_demo import next_prints, small_model

BASELESS = {"underbase_ink_id": None, "underbase_mesh_id": None, "underbase_strokes": np.nan}
BASED = {"underbase_ink_id": "U1", "underbase_mesh_id": "M43-80", "underbase_strokes": 1.0}


def setup(**cells) -> pd.DataFrame:
    return next_prints().iloc[[0]].reset_index(drop=True).assign(**cells)


def of(shares: Shares, mover: Mover) -> np.ndarray:
    return shares.lab[MOVERS.index(mover)]


@cache
def some_shares() -> tuple[Shares, ...]:
    return tuple(from_bucket(small_model(), next_prints().iloc[[i]]) for i in range(6))


def test_shapley_is_the_mean_over_all_orders():
    """Its definition (Shapley 1953), order by order."""
    values = np.random.default_rng(2).normal(size=(2, 2, 2, 2, 3))
    by_order = np.zeros((4, 3))
    orders = list(permutations(range(4)))
    for order in orders:
        on = [0, 0, 0, 0]
        for cause in order:
            before = values[tuple(on)]
            on[cause] = 1
            by_order[cause] += (values[tuple(on)] - before) / len(orders)
    assert_allclose(shapley(values), by_order, atol=1e-12)
    exchanged = shapley(values.swapaxes(0, 2))
    assert_allclose(exchanged, by_order[[2, 1, 0, 3]], atol=1e-12)


def test_shares_add_up_from_the_bucket_to_the_predicted_print():
    model = small_model()
    for i, shares in enumerate(some_shares()):
        one = next_prints().iloc[[i]].reset_index(drop=True)
        assert_allclose(shares.end, model.predict_lab(one).mean[0], atol=1e-9)
        assert_allclose(shares.start, model.buckets(list(one["ink_id"]))[0][0], atol=1e-9)
        assert_allclose(shares.lab.sum(axis=0), shares.end - shares.start, atol=1e-9)
        assert shares.dE00.sum() == pytest.approx(delta_e00(shares.start, shares.end))


def test_what_is_not_there_has_no_share():
    model = small_model()
    unknown = {"ink_lot": None, "press_id": None, "squeegee_shore_a": np.nan}
    unknown |= {"squeegee_angle_deg": np.nan, "off_contact_mm": np.nan}
    bare = from_bucket(model, setup(**BASELESS, **unknown))
    for mover in (Mover.BASE, Mover.LOT, Mover.PRESS):
        assert_allclose(of(bare, mover), 0, atol=1e-12, err_msg=mover)
    based = from_bucket(model, setup(**BASED))
    assert np.abs(of(based, Mover.BASE)).max() > 1


def test_the_ground_moves_a_thin_clear_film_and_hardly_a_thick_opaque_one():
    """Through a film that hides, nothing beneath is seen (Kubelka & Munk 1931, the limit)."""
    model, thick = small_model(), {"mesh_id": "M43-80", "strokes": 8.0, "flash_count": 7.0}
    white = {"substrate_id": "G01", **BASELESS}
    opaque = from_bucket(model, setup(ink_id="C24", ink_lot=None, **white, **thick))
    for beneath in (Mover.CLOTH, Mover.FILM, Mover.BASE):
        assert np.abs(of(opaque, beneath)).max() < 0.3, beneath
    thin = from_bucket(model, setup(ink_id="C02", ink_lot=None, **white, strokes=1.0))
    assert MOVERS[int(np.argmax(thin.dE00))] == Mover.CLOTH
    assert thin.dE00.max() > 5


THIN = {"mesh_id": "M120-34", "strokes": 1.0, "flash_count": 0.0}
THICK = {"mesh_id": "M43-80", "strokes": 4.0, "flash_count": 3.0}


@pytest.mark.parametrize("film", [THIN, THICK], ids=["thin", "thick"])
@pytest.mark.parametrize("base", [BASELESS, BASED], ids=["bare", "based"])
@pytest.mark.parametrize("ink", ["C02", "C19", "C24", "C26"])
def test_no_share_is_much_larger_than_the_whole(ink, base, film):
    """On the way from the bucket no step overshoots that a later one has to take back."""
    for garment in ("G01", "G02", "G04"):
        one = setup(ink_id=ink, substrate_id=garment, ink_lot=None, **film, **base)
        shares = from_bucket(small_model(), one)
        assert np.abs(shares.dE00).max() < shares.total_dE00 + 0.9
        assert shares.lab.sum(axis=0) == pytest.approx(shares.end - shares.start, abs=1e-9)


def test_a_film_counts_from_the_bucket_where_it_is_thin():
    thin = from_bucket(small_model(), setup(ink_id="C19", ink_lot=None, **BASELESS, **THIN))
    thick = from_bucket(small_model(), setup(ink_id="C19", ink_lot=None, **BASELESS, **THICK))
    assert thin.dE00[MOVERS.index(Mover.FILM)] > 1
    assert np.abs(of(thick, Mover.FILM)).max() < 1e-9


def test_a_film_is_beside_that_of_the_same_ink_on_the_same_cloth():
    """What an ink lays more of through every mesh is no matter of this screen."""
    volume = small_model().encoder_.meshes["theoretical_ink_cm3_m2"].astype(float).sort_values()
    usual = {"mesh_id": volume.index[(len(volume) - 1) // 2], "strokes": 1.0, "flash_count": 0.0}
    for ink in ("C02", "C10", "C19"):
        one = setup(ink_id=ink, ink_lot=None, **BASELESS, **usual, eom_um=np.nan)
        assert np.abs(of(from_bucket(small_model(), one), Mover.FILM)).max() < 0.05


def test_what_is_not_known_makes_a_share_unsure():
    one = setup(ink_id="C19", **BASELESS, **THIN)
    known, new = (from_bucket(small_model(), one.assign(press_id=p)) for p in ("P1", "new"))
    press, cloth = MOVERS.index(Mover.PRESS), MOVERS.index(Mover.CLOTH)
    assert new.unsure_dE00[press] > known.unsure_dE00[press] > 0
    assert known.surely[cloth]
    again = from_bucket(small_model(), one.assign(press_id="P1"))
    assert (again.unsure_dE00 == known.unsure_dE00).all()


def test_from_one_print_to_another_and_back():
    model = small_model()
    here, there = setup(substrate_id="G02", **BASELESS), setup(substrate_id="G01", **BASED)
    to, back = from_print(model, here, there), from_print(model, there, here)
    assert_allclose(to.lab, -back.lab, atol=1e-9)
    assert_allclose(to.lab.sum(axis=0), np.diff(model.means(pd.concat([there, here])), axis=0)[0],
                    atol=1e-6)  # fmt: skip
    assert np.abs(of(to, Mover.CLOTH)).max() > 1
    same = from_print(model, here, here)
    assert (same.lab == 0).all()
    assert (same.dE00 == 0).all()
    with pytest.raises(Unusable, match="different inks"):
        from_print(model, here, setup(ink_id="C02"))
