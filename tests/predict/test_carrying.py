"""How much of what other inks taught carries over to an ink never printed."""

from __future__ import annotations

from copy import copy
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.optimize import minimize_scalar

from learn.colour.colorimetry import delta_e00
from learn.mixing.mixture import Mixing
from learn.predict import shares
from learn.predict.calibration import LeftOut
from learn.predict.carrying import Carrying, stacked
from learn.predict.model import ShiftModel
from tests.small_demo import (
    TINY_INKS,
    demo,
    held_out,
    next_prints,
    restricted,
    small_model,
    tiny_model,
    tiny_shop,
)


def with_share(share: float) -> ShiftModel:
    """The small model, that so much carries over."""
    model = copy(small_model())
    model.carrying_ = replace(small_model().carrying_, share=share)
    return model


def never_printed() -> pd.DataFrame:
    rows = held_out("unseen_ink")
    return rows[rows["ink_id"] == "C08"].head(12).reset_index(drop=True)


@cache
def physics_alone() -> ShiftModel:
    return small_model().physics_alone(bands=False)


def test_all_of_it_is_the_model_that_learnt_and_none_of_it_the_physics_alone():
    whole = copy(small_model())
    whole.carrying_ = Carrying.whole()
    learnt, all_of_it = (
        whole.predict_lab(never_printed()),
        with_share(1.0).predict_lab(never_printed()),
    )
    assert_array_equal(all_of_it.mean, learnt.mean)
    assert_array_equal(all_of_it.covariance, learnt.covariance)
    alone = physics_alone().means(never_printed())
    assert_allclose(with_share(0.0).means(never_printed()), alone, atol=0.01)
    assert np.abs(learnt.mean - alone).max() > 0.3
    half = with_share(0.5).predict_lab(never_printed())
    assert_allclose(half.mean, (learnt.mean + alone) / 2, atol=0.01)
    # the variance of a mixture of two equally likely means
    off = (learnt.mean - alone) / 2
    spread = small_model().spread(never_printed())[:, None, None] ** 2
    added = half.covariance - learnt.covariance
    assert_allclose(added, spread * off[:, :, None] * off[:, None, :], atol=0.02)


def test_an_ink_that_has_been_printed_is_predicted_as_ever():
    printed = next_prints()
    assert printed["ink_id"].isin(small_model().likeness_.counts["ink"]).all()
    for part, same in zip(
        with_share(0.3).predict_lab(printed), with_share(1.0).predict_lab(printed), strict=True
    ):
        assert_array_equal(part, same)


def test_one_prediction_of_a_new_ink_however_it_is_asked_for():
    model, setups = with_share(0.4), never_printed()
    alone, n = model.predict_lab(setups), len(setups)
    assert_allclose(model.means(setups), alone.mean, atol=1e-6)
    one = model.predict_joint(setups, 1)
    assert_allclose(one.mean[:, 0], alone.mean, atol=1e-6)
    assert_allclose(one.covariance, alone.covariance, atol=1e-6)
    known = model.between(setups).widened(model.spread(setups))
    assert_allclose(known.mean, alone.mean, atol=1e-6)
    assert_allclose(known.own() + known.scatter, alone.covariance, atol=1e-6)
    assert np.linalg.eigvalsh(known.unknown.reshape(3 * n, -1)).min() > -1e-6
    for i in range(3):
        told = shares.from_bucket(model, setups.iloc[[i]])
        assert_allclose(told.end, alone.mean[i], atol=1e-6)
    row = setups.iloc[0]
    mixing = Mixing.of(model, row.drop(["ink_id", "substrate_id"]), [row["substrate_id"]], ["C08"])
    in_lot = model.means(setups.head(1).assign(ink_lot=None))[0]
    assert_allclose(mixing.lab(np.ones((1, 1)))[0, 0], in_lot, atol=0.05)


def test_which_of_the_two_is_right_is_one_question_for_all_prints_of_an_ink():
    """So that one print of it tells of the others; of another ink it tells nothing."""
    setups = pd.concat([never_printed().head(4), next_prints().head(3)], ignore_index=True)
    known, learnt = (with_share(share).between(setups) for share in (0.5, 1.0))
    off = (with_share(1.0).means(setups) - with_share(0.0).means(setups)) / 2
    assert_array_equal(off[4:], 0.0)
    together = off[:, :, None, None] * off[None, None]
    assert_allclose(known.unknown - learnt.unknown, together, atol=1e-6)


def left_out(learnt: np.ndarray, alone: np.ndarray) -> tuple[LeftOut, float]:
    """Inks (g, prints, 3) that the two predictions miss by so much."""
    g, k, _ = learnt.shape
    group = np.repeat(np.arange(g), k)
    left = LeftOut(learnt.reshape(-1, 3), np.tile(np.eye(3), (g * k, 1, 1)), group)
    return stacked(left, alone.reshape(-1, 3), np.tile([55.0, 20.0, 10.0], (g * k, 1)))


def errors(inks: int, sd: float, seed: int) -> np.ndarray:
    """By ink, with some scatter of its five prints."""
    rng = np.random.default_rng(seed)
    return rng.normal(0, sd, (inks, 1, 3)) + rng.normal(0, 0.2, (inks, 5, 3))


def test_what_misleads_is_not_carried_over_and_what_helps_is():
    good, bad = errors(20, 0.5, 0), errors(20, 5.0, 1)
    left, share = left_out(learnt=bad, alone=good)
    assert share < 0.1
    assert np.sqrt((left.error**2).mean()) < 1.1 * np.sqrt((good**2).mean())
    left, share = left_out(learnt=good, alone=bad)
    assert share > 0.9
    assert np.sqrt((left.error**2).mean()) < 1.1 * np.sqrt((good**2).mean())


def test_few_inks_do_not_decide_wildly_and_one_ink_not_at_all():
    good, bad = errors(3, 0.7, 2), errors(3, 3.0, 3)
    assert left_out(learnt=bad, alone=good)[1] > 0.02
    assert left_out(learnt=good, alone=bad)[1] < 0.75
    learnt, alone = errors(20, 1.0, 4), errors(20, 1.0, 5)
    before = left_out(learnt, alone)[1]
    alone[0] += 30.0
    assert abs(left_out(learnt, alone)[1] - before) < 0.1


def test_many_inks_ask_for_the_share_that_misses_least():
    """Against a plain search over dE00 itself, errors so small that its metric is flat."""
    alone = 0.02 * errors(4000, 1.0, 6)
    learnt = 0.5 * alone + 0.02 * errors(4000, 0.6, 7)
    at = np.array([55.0, 20.0, 10.0])

    def missed(share: float) -> float:
        both = share * learnt + (1 - share) * alone
        size = [(delta_e00(at + e, at) ** 2).mean(axis=1) for e in (both, learnt, alone)]
        return float((size[0] / (size[1] + size[2])).mean())

    best = minimize_scalar(missed, bounds=(0, 1), method="bounded").x
    assert 0.1 < best < 0.9
    assert left_out(learnt, alone)[1] == pytest.approx(best, abs=0.01)


def test_an_ink_told_of_later_is_treated_alike_until_it_is_printed():
    shop = restricted(demo(), tiny_shop().prints, [*TINY_INKS, "C08"])
    told, new = tiny_model().told_of(shop), never_printed()
    base = new["underbase_ink_id"]
    new = new[base.isna() | base.isin(TINY_INKS)]
    share = told.carrying_.share
    assert 0 < share < 1
    whole = copy(told)
    whole.carrying_ = Carrying.whole()
    alone = copy(told)
    alone.carrying_ = replace(told.carrying_, share=0.0)
    expected = share * whole.means(new) + (1 - share) * alone.means(new)
    assert_allclose(told.means(new), expected, atol=1e-9)
    printed = demo().prints[demo().prints["ink_id"] == "C08"]
    assert printed.empty, "printed in the demo shop now: take another"
