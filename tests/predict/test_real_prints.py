"""Real offset prints dressed as shops: what learning adds to the physics."""

import numpy as np

from learn.colour.colorimetry import delta_e00
from learn.predict.model import ShiftModel
from tests.published import coated_shop
from tests.small_demo import LAB


def test_a_real_ink_never_printed_is_no_worse_than_by_physics_alone():
    """Uncoated offset solids: cyan and yellow learnt, magenta predicted over 193 backings.

    datasets/published/README.md; physics alone 2.1 dE00.
    """
    trial = coated_shop(paper="uncoated", ink_holdout="M")
    measured = trial.held_out[LAB].to_numpy(float)
    model = ShiftModel().fit(trial.shop)

    def error(of: ShiftModel) -> float:
        return float(np.median(delta_e00(of.predict_lab(trial.held_out).mean, measured)))

    assert error(model) < 1.1 * error(model.physics_alone()) < 3
