"""Left-out predictions: cross-checked factors, a stored model, expected scatter."""

import numpy as np
import pytest

from learn.assessment.cross_validation import crossed_factors, expected_difference
from learn.assessment.reliability import binomial_band
from learn.normal import Z90
from learn.predict import calibration
from learn.predict.dispersion import Errors
from tests.small_demo import small_model, small_shop, stored_small_model


def test_coverage_is_cross_checked():
    """Each half's factor comes from the other: its own residuals cannot help it."""
    rng = np.random.default_rng(1)
    group = np.repeat(np.arange(300), 3)
    z = 1.5 * rng.standard_normal((900, 3))
    factor = crossed_factors(Errors(z, group))
    inside = np.abs(z) <= Z90 * factor[:, None]
    low, high = binomial_band(2700)
    assert low - 0.01 < inside.mean() < high + 0.01
    half = factor == factor[0]
    assert 0.4 < half.mean() < 0.6
    wilder = np.where(half[:, None], 2 * z, z)
    again = crossed_factors(Errors(wilder, group))
    np.testing.assert_array_equal(again[half], factor[half])
    assert (again[~half] > factor[~half]).all()


def test_scatter_of_a_known_spread():
    """At L 50 CIEDE2000 weighs lightness by 1, so dE00 is |dL|; its mean is s sqrt(2 / pi)."""
    grey = np.tile([50.0, 0.0, 0.0], (200, 1))
    cov = np.tile(np.diag([0.01, 0, 0]), (200, 1, 1))
    assert expected_difference(grey, cov).mean() == pytest.approx(
        0.1 * np.sqrt(2 / np.pi), rel=0.02
    )


def test_a_stored_model_recalls_its_history():
    """Left-out predictions are those of the model that has just been fitted."""
    fitted, stored = small_model(), stored_small_model().recall(small_shop())
    np.testing.assert_array_equal(stored.keep_, fitted.keep_)
    job = fitted.rows_.X["job"]
    ours, theirs = calibration.leave_out(stored, job), calibration.leave_out(fitted, job)
    # the fitted model's last step went beyond where it was linearised
    assert np.quantile(np.abs(ours.error - theirs.error), 0.98) < 0.1
    np.testing.assert_allclose(ours.z.std(), theirs.z.std(), rtol=0.05)
