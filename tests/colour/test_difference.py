"""The two most different colours of a 90 % ellipsoid, against chi-square and a search of it all."""

import numpy as np
from scipy import stats

from learn.colour.colorimetry import delta_e00
from learn.colour.difference import far_ends


def beliefs(n: int, largest_sd: float) -> tuple[np.ndarray, np.ndarray]:
    """Colours all over Lab with lopsided covariances, greys among them."""
    rng = np.random.default_rng(4)
    mean = rng.uniform([15, -60, -60], [95, 60, 60], (n, 3))
    mean[: n // 8, 1:] = rng.uniform(-1, 1, (n // 8, 2))
    turned = np.linalg.qr(rng.normal(size=(n, 3, 3)))[0]
    sd = rng.uniform(0.1, largest_sd, (n, 1, 3))
    return mean, turned * sd**2 @ turned.transpose(0, 2, 1)


def test_both_ends_lie_on_the_ellipsoid_and_opposite():
    mean, covariance = beliefs(200, 3.0)
    ends = far_ends(mean, covariance)
    off = ends - mean[:, None]
    squared = np.einsum("nei,nij,nej->ne", off, np.linalg.inv(covariance), off)
    np.testing.assert_allclose(squared, stats.chi2(3).ppf(0.9), rtol=1e-9)
    np.testing.assert_allclose(ends.mean(axis=1), mean, atol=1e-9)
    assert (ends[:, 0, 0] <= ends[:, 1, 0]).all()


def test_no_opposite_points_of_the_ellipsoid_are_visibly_further_apart():
    mean, covariance = beliefs(200, 1.5)
    rng = np.random.default_rng(5)
    around = rng.normal(size=(2000, 3))
    around /= np.linalg.norm(around, axis=1, keepdims=True)
    root = np.linalg.cholesky(covariance) * np.sqrt(stats.chi2(3).ppf(0.9))
    off = around @ root.transpose(0, 2, 1)
    sampled = delta_e00(mean[:, None] + off, mean[:, None] - off).max(axis=1)
    ends = far_ends(mean, covariance)
    found = delta_e00(ends[:, 0], ends[:, 1])
    short = sampled / found - 1
    assert np.median(short) < 0.005
    assert short.max() < 0.05
