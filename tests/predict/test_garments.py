"""One set-up on several garments: joint predictions and chances."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.testing import assert_allclose

from learn.mixing.mixture import Mixing
from learn.predict.garments import joint, on_garments, outcome
from tests.small_demo import GARMENTS, small_model


def test_each_garment_of_a_joint_prediction_is_the_single_prediction(grid):
    setups = grid.setups(np.arange(0, len(grid), 41))
    together = joint(small_model(), setups, GARMENTS)
    alone = small_model().predict_lab(on_garments(setups, GARMENTS))
    assert_allclose(together.mean.reshape(-1, 3), alone.mean, atol=1e-9)
    blocks = [together.covariance[:, i : i + 3, i : i + 3] for i in (0, 3, 6)]
    assert_allclose(np.stack(blocks, axis=1).reshape(-1, 3, 3), alone.covariance, rtol=1e-9)


def test_errors_hang_together_over_garments_as_draws_of_the_weights_say(grid):
    # Mixing draws weights and goes through the optics; joint goes along the tangents.
    setup = grid.setups(np.array([8]))
    mixed = Mixing.of(small_model(), setup.iloc[0].to_dict(), GARMENTS, ["C08", "C10"])
    drawn = mixed.predict(np.eye(2)).joint.covariance
    twice = pd.concat([setup] * 2).assign(ink_id=["C08", "C10"], ink_lot=None)
    linear = joint(small_model(), twice, GARMENTS).covariance

    def correlation(covariance):
        sd = np.sqrt(np.einsum("nii->ni", covariance))
        return covariance / sd[:, :, None] / sd[:, None, :]

    assert_allclose(np.sqrt(np.einsum("nii->ni", drawn / linear)), 1.0, atol=0.3)
    assert np.abs(correlation(drawn) - correlation(linear)).max() < 0.25
    assert correlation(linear)[:, 0, 3].min() > 0.3  # one press, one ink: far from independent


def test_all_in_tolerance_is_between_product_and_least_chance(grid):
    predicted = joint(small_model(), grid.setups(np.arange(0, len(grid), 9)), GARMENTS)
    luck = outcome(predicted, predicted.mean[len(predicted.mean) // 2, 0] + [1.0, 0.5, 0.5], 2.5)
    assert (luck.p_all <= luck.p.min(axis=1)).all()
    some = luck.p_all > 0.05
    assert some.any()
    assert (luck.p_all[some] >= luck.p[some].prod(axis=1) - 0.03).all()
