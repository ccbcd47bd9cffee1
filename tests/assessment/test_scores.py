"""Scores against published and independently integrated values (datasets/published/README.md)."""

import numpy as np
import pytest
from scipy import stats

from learn.assessment import scores
from tests.published import table


def test_crps_of_a_gaussian():
    """Gneiting & Raftery 2007 closed form; (0, 1, 0) by hand: (sqrt 2 - 1) / sqrt pi."""
    rows = table("crps_gaussian")
    crps = scores.crps_gaussian(rows["mu"], rows["sigma"], rows["y"])
    np.testing.assert_allclose(crps, rows["crps"], rtol=1e-12)
    assert scores.crps_gaussian(0, 1, 0) == pytest.approx(
        (np.sqrt(2) - 1) / np.sqrt(np.pi), abs=1e-15
    )
    pit = scores.pit_gaussian(rows["mu"], rows["sigma"], rows["y"])
    np.testing.assert_allclose(pit, rows["pit"], rtol=1e-11)


def test_energy_score_of_a_small_ensemble():
    """Four points in Lab-like space, worked by hand from Gneiting & Raftery's ensemble form."""
    samples = np.array([[[0, 0, 0], [1, 0, 0], [0, 2, 0], [0, 0, 2]]])
    y = np.array([[1, 1, 1]])
    assert scores.energy_score(samples, y)[0] == pytest.approx(0.88380630378582, abs=1e-12)
    fair = scores.energy_score(samples, y, fair=True)[0]
    assert fair == pytest.approx(0.62754457295778, abs=1e-12)


@pytest.mark.parametrize(
    ("distance", "expected"), [(0, 0.467389954510218), (1, 0.72094126621695), (2, 1.36585210619)]
)
def test_energy_score_of_a_standard_normal_in_three_dimensions(distance, expected):
    """Closed form for N(0, I), d = 3; sampled here, so to within sampling error."""
    samples = np.random.default_rng(1).standard_normal((20, 1000, 3))
    y = np.tile([distance, 0, 0], (20, 1))
    assert scores.energy_score(samples, y, fair=True).mean() == pytest.approx(expected, abs=0.01)


def test_energy_score_in_one_dimension_is_the_crps():
    quantiles = stats.norm.ppf((np.arange(2000) + 0.5) / 2000)
    score = scores.energy_score(quantiles[None, :, None], np.array([[0.7]]))[0]
    assert score == pytest.approx(scores.crps_gaussian(0, 1, 0.7), abs=1e-3)
