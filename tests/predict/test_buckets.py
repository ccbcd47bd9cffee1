"""How sure inks in the bucket are: no film of a card hides as well."""

from dataclasses import replace

import numpy as np

from learn.normal import Z90, sd_of
from learn.physics.drawdowns import lab_columns
from learn.predict.buckets import as_told
from tests.small_demo import roughly_learnt, small_shop


def test_buckets_that_nobody_measured_lie_within_their_bands():
    """What was read in a filled well, held against a shop that has no such reading."""
    shop = small_shop()
    well = np.isinf(shop.drawdowns["film_um"])
    inks = list(shop.drawdowns.loc[well, "ink_id"])
    films = shop.drawdowns[~well].reset_index(drop=True)
    model = roughly_learnt(replace(shop, drawdowns=films))
    assert inks and not any(model.bucket_measured(ink) for ink in inks)
    lab, covariance = model.buckets(inks)
    read = lab_columns(shop.drawdowns[well], model.viewing_)
    assert np.mean(np.abs(read - lab) <= Z90 * sd_of(covariance)) >= 0.8
    assert (sd_of(covariance) < 8).all(), "or they would say nothing"


def test_cards_that_hide_hold_a_bucket_whatever_prints_say():
    """Prints that pull an ink far from cards over white and black that read the same."""
    learnt = np.array([[7.6, 0.6, 0.9]]), np.diag([0.5, 1.2, 1.1])[None]
    cards = np.array([[15.4, 0.0, 0.0]])
    unmeasured = np.full((1, 3), np.nan)

    def told(sd: float) -> tuple[float, float]:
        by_cards = cards, sd**2 * np.eye(3)[None]
        lab, covariance = as_told(learnt, by_cards, ["Lab"], unmeasured, 0.15)
        return lab[0, 0], sd_of(covariance)[0, 0]

    surely, hardly = told(0.4), told(10.0)
    assert abs(surely[0] - 15.4) < Z90 * surely[1]
    assert abs(surely[0] - 15.4) < 1.5
    assert abs(hardly[0] - 7.6) < 0.1, "cards that everything shows through say little"
    lab, covariance = as_told(learnt, (cards, np.eye(3)[None]), ["Lab"], cards + 1, 0.15)
    np.testing.assert_allclose(lab, cards + 1)  # as it was measured
    np.testing.assert_allclose(covariance[0], 0.15**2 * np.eye(3))
