"""Uneven films, against scipy's laws and layers laid by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from learn.physics import kubelka_munk, uneven

BENDS = {"sharp": st.floats(0.01, 20), "thin": st.floats(-4, 4)}


@given(places=st.integers(3, 7), sigma=st.floats(0, 3), **BENDS)
def test_films_are_as_thick_on_the_whole_and_thin_places_come_first(places, sigma, sharp, thin):
    thick = uneven.thickness(places, np.array([sigma]), sharp, thin)
    assert np.isfinite(thick).all()
    assert (thick > 0).all()
    assert (np.diff(thick[:, 0]) >= 0).all()
    assert thick.mean() == pytest.approx(1)


@pytest.mark.parametrize("sigma", [0.1, 0.3, 0.5])
def test_hardly_bent_it_is_log_normal(sigma):
    """Light through a clear film of that law to a white ground, against scipy's expectation."""
    thick = uneven.thickness(5, np.array([sigma]), 0.01, 0.0)
    law = stats.lognorm(sigma, scale=np.exp(-(sigma**2) / 2))
    assert law.mean() == pytest.approx(1)
    K, S = np.array([[0.02]]), np.array([[1e-9]])
    found = uneven.seen(K, S, 20.0 * thick, np.array([[1.0]]))
    assert found[0, 0] == pytest.approx(
        law.expect(lambda x: np.exp(-2 * 0.02 * 20.0 * x)), abs=0.01
    )


@pytest.mark.parametrize(("thin", "share"), [(-0.8, 0.2), (-0.25, 0.4), (0.25, 0.6), (0.8, 0.8)])
def test_sharply_bent_it_has_two_levels(thin, share):
    """As many of five places on the lower one as the share of thin ones says."""
    thick = uneven.thickness(5, np.array([0.4]), 3.0, thin)[:, 0]
    low = thick < (thick.min() + thick.max()) / 2
    assert low.mean() == pytest.approx(share)
    assert np.ptp(thick[low]) + np.ptp(thick[~low]) < 0.5 * np.ptp(thick)


def test_light_of_all_places_is_taken_together():
    """Against single layers; films that several grounds share are reckoned once."""
    rng = np.random.default_rng(0)
    K, S = rng.uniform(0.001, 0.1, (2, 4, 31))
    films, back = rng.uniform(2, 30, (3, 4)), rng.uniform(0.05, 0.9, (4, 31))
    by_hand = [kubelka_munk.reflectance_over(K, S, x[:, None], back) for x in films]
    np.testing.assert_allclose(uneven.seen(K, S, films, back), np.mean(by_hand, axis=0), rtol=1e-10)
    like = np.array([0, 1, 1, 3])
    one_by_one = uneven.seen(K[like], S[like], films[:, like], back)
    np.testing.assert_allclose(uneven.seen(K, S, films, back, like), one_by_one, rtol=1e-10)
