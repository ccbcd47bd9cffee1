"""Scores of a forecast against what came: sharpness and honesty in one number each.

CRPS and energy score are in the unit of the forecast and reward both; smaller is better.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr


def pit_gaussian(mu: ArrayLike, sigma: ArrayLike, y: ArrayLike) -> np.ndarray:
    """Probability integral transform Phi((y - mu) / sigma), sigma a standard deviation.

    Uniform on 0..1 when the forecast is honest; U-shaped when too narrow, humped when too
    wide (Gneiting, Balabdaoui & Raftery 2007, JRSSB 69, 243-268).
    """
    mu, sigma, y = (np.asarray(v, float) for v in (mu, sigma, y))
    return ndtr((y - mu) / sigma)


def crps_gaussian(mu: ArrayLike, sigma: ArrayLike, y: ArrayLike) -> np.ndarray:
    """Continuous ranked probability score of N(mu, sigma^2) at y, broadcast.

    sigma [z (2 Phi(z) - 1) + 2 phi(z) - 1 / sqrt(pi)], z = (y - mu) / sigma (Gneiting &
    Raftery 2007, JASA 102, 359-378).
    """
    mu, sigma, y = (np.asarray(v, float) for v in (mu, sigma, y))
    z = (y - mu) / sigma
    phi = np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    return sigma * (z * (2 * ndtr(z) - 1) + 2 * phi - 1 / math.sqrt(math.pi))


def energy_score(samples: ArrayLike, y: ArrayLike, *, fair: bool = False) -> np.ndarray:
    """Energy score (n,) of m sampled forecasts (n, m, d) at y (n, d).

    mean |x - y| - mean |x - x'| / 2 (Gneiting & Raftery 2007): the CRPS for d = 1. The mean
    over pairs counts each sample with itself, unless `fair`, which does not favour few
    samples.
    """
    samples, y = np.asarray(samples, float), np.asarray(y, float)
    n, m, _ = samples.shape
    to_y = np.linalg.norm(samples - y[:, None], axis=-1).mean(axis=1)
    apart = np.empty(n)
    block = max(1, 20_000_000 // (m * m))
    for start in range(0, n, block):
        x = samples[start : start + block]
        x = x - x.mean(axis=1, keepdims=True)
        square = (x * x).sum(axis=-1)
        distance = square[:, :, None] + square[:, None, :] - 2 * x @ x.swapaxes(1, 2)
        distance[:, np.arange(m), np.arange(m)] = 0
        apart[start : start + block] = np.sqrt(np.maximum(distance, 0)).sum(axis=(1, 2))
    return to_y - apart / (2 * m * (m - 1 if fair else m))
