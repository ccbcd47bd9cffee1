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


def test_interval_score():
    """Central 90 % interval of N(0, 1), Gneiting & Raftery 2007 eq. 43."""
    z = stats.norm.ppf(0.95)
    score = scores.interval_score(-z, z, [0, 2], 0.1)
    np.testing.assert_allclose(score, [3.2897072539, 10.392634714873], rtol=1e-10)


def test_conformal_ranks():
    """ceil((n + 1)(1 - alpha)); finite from n = 19 at 0.05 and n = 99 at 0.01 (Vovk 2012, from
    memory; datasets/published/README.md)."""
    for row in table("conformal_ranks").itertuples():
        rank = scores.conformal_rank(row.n_calibration, row.alpha)
        assert rank == row.k_ceil
        assert (rank <= row.n_calibration) == row.finite
    assert scores.conformal_rank(9, 1 - 0.9) == 9
    assert scores.conformal_rank(19, 0.1) == 18


def test_honest_forecasts_land_within_the_binomial_band():
    """coverage90_binomial_bands: how often 90 % bands may hold n results (2.5 and 97.5 %)."""
    rng = np.random.default_rng(2)
    z = stats.norm.ppf(0.95)
    for row in table("coverage90_binomial_bands").itertuples():
        held = [scores.coverage(-z, z, rng.standard_normal(row.n_test)) for _ in range(2000)]
        inside = np.mean([row.accept_low_frac <= h <= row.accept_high_frac for h in held])
        assert inside > 0.94
    assert scores.coverage([0, 0, 0, 0], [1, 1, 1, 1], [0, 1, 0.5, 2]) == 0.75
