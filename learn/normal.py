"""Normal laws, and how far what is told by them is believed: the numbers and small functions that
every room to the right shares."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]

# 90 % of a normal law lie within so many standard deviations of its mean.
Z90 = 1.6448536269514722
# Errors of predictions have the tails of a Student t of so many degrees of freedom, and bands are
# drawn a little wider than they are believed to be (`learn.predict.dispersion`): 90 % of errors
# are believed to lie within this share of a band.
TAILS, BELIEVED = 5.0, 0.95


def sd_of(covariance: Array) -> Array:
    """Standard deviations (..., d) of covariances (..., d, d)."""
    return np.sqrt(np.einsum("...ii->...i", covariance))


def root(covariance: Array) -> Array:
    """Symmetric square roots (n, d, d) of positive semi-definite covariances (n, d, d)."""
    values, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :] @ vectors.transpose(0, 2, 1)


def scattered(covariance: Array, z: Array) -> Array:
    """Draws (n, m, d) from N(0, ``covariance`` (n, d, d)), by standard normal ``z`` (m, d).

    The same ``z`` for every covariance, so that what is compared has equal luck.
    """
    return z @ root(covariance).transpose(0, 2, 1)


def mirrored(n: int, dimensions: int, seed: int) -> Array:
    """Standard normal draws (2 n, dimensions), each with its opposite: their mean is 0."""
    half = np.random.default_rng(seed).standard_normal((n, dimensions))
    return np.concatenate([half, -half])


def believed(z: Array) -> Array:
    """Draws (n, d) of errors of predictions as these are believed to be, from standard normal ``z``
    (n, d + 1): a normal law tells their spread, but some are much more and most a little less.

    All of one draw is stretched alike, as the last column says, which makes it a multivariate
    Student t (Gelman et al. 2013, "Bayesian Data Analysis", 17.2).
    """
    from scipy.special import chdtri, ndtr, stdtrit

    narrower = BELIEVED * Z90 / stdtrit(TAILS, 0.95)
    stretch = np.sqrt(TAILS / chdtri(TAILS, ndtr(z[:, -1:])))
    out: Array = narrower * stretch * z[:, :-1]
    return out


def drawn_errors(n: int, dimensions: int, seed: int, *, steady: bool = False) -> Array:
    """:func:`mirrored` draws (2 n, dimensions) of errors as `believed`; ``steady`` where all is
    known but the scatter of prints, which is normal."""
    if steady:
        return mirrored(n, dimensions, seed)
    return believed(mirrored(n, dimensions + 1, seed))


@lru_cache
def quasi_random(n: int, dimensions: int) -> Array:
    """Standard normal quasi-random draws (n, dimensions): smoother than random ones.

    Additive recurrence on the generalised golden ratio, the root of g^(d+1) = g + 1
    (Roberts 2018, "The unreasonable effectiveness of quasirandom sequences"; from memory).
    """
    from scipy.special import ndtri

    g = 2.0
    for _ in range(60):
        g = (1 + g) ** (1 / (dimensions + 1))
    steps = g ** -np.arange(1.0, dimensions + 1)
    return ndtri((0.5 + np.arange(1, n + 1)[:, None] * steps) % 1.0)


def squared_distance(error: Array, covariance: Array) -> Array:
    """Mahalanobis distances squared (...) of ``error`` (..., d) by ``covariance`` (..., d, d)."""
    covariance = np.broadcast_to(covariance, (*error.shape, error.shape[-1]))
    solved = np.linalg.solve(covariance, error[..., None])[..., 0]
    return np.einsum("...i,...i->...", error, solved)


def log_density(error: Array, covariance: Array) -> Array:
    """Log density (...) of N(0, ``covariance`` (..., d, d)) at ``error`` (..., d)."""
    _, logdet = np.linalg.slogdet(covariance)
    d = error.shape[-1]
    return -0.5 * (squared_distance(error, covariance) + logdet + d * np.log(2 * np.pi))


def distance_at(tail: float, dimensions: int = 3) -> float:
    """Squared distance that a share ``tail`` of draws lies beyond: chi-square, upper tail."""
    from scipy.special import chdtri

    return float(chdtri(dimensions, tail))
