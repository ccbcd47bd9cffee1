"""How honest the bands are, on prints that did not set them."""

import pytest
from scipy.stats import binom

from learn.assessment.metrics import score
from tests.small_demo import LAB, held_out, mean_sd, next_prints, small_model


def test_ninety_per_cent_bands_of_next_prints():
    """Binomial, 99.9 %: prints of one job err together, so fewer of them are independent."""
    setups = next_prints()
    p = small_model().predict_lab(setups)
    coverage = score(p.mean, p.covariance, setups[LAB].to_numpy(float)).coverage90
    low, high = binom.interval(0.999, len(setups), 0.9)
    assert low <= coverage * len(setups) <= high
    assert 0.82 < small_model().validation_["coverage90"] < 0.97


@pytest.mark.parametrize("kind", ["unseen_garment", "unseen_ink", "far"])
def test_bands_widen_for_what_was_never_seen(kind):
    """Wider than for known things, and still holding most of what came."""
    setups = held_out(kind)
    p = small_model().predict_lab(setups)
    held = score(p.mean, p.covariance, setups[LAB].to_numpy(float))
    assert held.coverage90 > 0.8
    if kind != "unseen_garment":  # a garment is measured before it is printed
        assert held.mean_sd > mean_sd(small_model(), next_prints())
