"""How sure inks in the bucket are: no film of a card hides as well."""

from dataclasses import replace

import numpy as np

from learn.normal import Z90, sd_of
from learn.physics.drawdowns import lab_columns
from tests.small_demo import learnt, small_shop


def test_buckets_that_nobody_measured_lie_within_their_bands():
    """What was read in a filled well, held against a shop that has no such reading."""
    shop = small_shop()
    well = np.isinf(shop.drawdowns["film_um"])
    inks = list(shop.drawdowns.loc[well, "ink_id"])
    films = shop.drawdowns[~well].reset_index(drop=True)
    model = learnt(replace(shop, drawdowns=films), restarts=0)
    assert inks and not any(model.bucket_measured(ink) for ink in inks)
    lab, covariance = model.buckets(inks)
    read = lab_columns(shop.drawdowns[well], model.viewing_)
    assert np.mean(np.abs(read - lab) <= Z90 * sd_of(covariance)) >= 0.8
    assert (sd_of(covariance) < 8).all(), "or they would say nothing"
