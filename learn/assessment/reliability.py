"""Whether stated chances come true: shares with honest error bars, and reliability of p.

Prints of one job, or with one ink, are right or wrong together. A share of hits is
therefore given the interval of the smaller number of independent trials that would
scatter as much as its groups do.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import bdtr, ndtri, stdtrit

from learn.colour.colorimetry import delta_e00

Array = NDArray[np.floating]

BINS = 10
# Pseudo-targets lie so many standard deviations inside to outside the tolerance, so that
# chances from nearly 0 to nearly 1 occur.
REACH = 2.5
TARGETS_PER_PRINT = 4


class Share(NamedTuple):
    """A share of hits with its 95 % interval."""

    share: float
    lo: float
    hi: float
    trials: float  # independent trials it is worth


def wilson(share: float, trials: float, level: float = 0.95) -> tuple[float, float]:
    """Score interval of a binomial share (Wilson 1927, J. Am. Stat. Assoc. 22, 209-212)."""
    z = float(ndtri(0.5 + level / 2))
    middle = (share + z * z / (2 * trials)) / (1 + z * z / trials)
    half = (
        z / (1 + z * z / trials) * np.sqrt(share * (1 - share) / trials + (z / (2 * trials)) ** 2)
    )
    return float(max(0.0, middle - half)), float(min(1.0, middle + half))


def grouped_share(hit: NDArray, group: NDArray) -> Share:
    """Share of hits whose groups are independent, but not the hits within one.

    Parameters
    ----------
    hit : (n,) or (n, k), 0 or 1
    group : (n,) labels

    The number of trials is that whose binomial variance equals the variance of the share
    over groups (linearised ratio of group sums to group sizes: Cochran 1977, Sampling
    Techniques, section 9A, from memory), fewer by Student's t where groups are few. Groups
    that all agree count as one trial each.
    """
    hit = np.asarray(hit, float)
    per_print = hit.reshape(len(hit), -1)
    names, code = np.unique(group, return_inverse=True)
    n, groups = len(per_print), len(names)
    if not n:
        return Share(np.nan, 0.0, 1.0, 0.0)
    share = float(per_print.mean())
    apart = np.bincount(code, weights=per_print.mean(axis=1) - share)
    variance = groups / max(groups - 1, 1) * float(apart @ apart) / n**2
    trials = float(groups)
    if variance > 1e-12 and groups > 1:
        few = ndtri(0.975) / stdtrit(groups - 1, 0.975)  # a variance from few groups is a guess
        trials = float(np.clip(share * (1 - share) / variance * few**2, 1.0, per_print.size))
    return Share(share, *wilson(share, trials), trials)


def binomial_band(trials: float, p: float = 0.9, level: float = 0.95) -> tuple[float, float]:
    """Between what shares of hits ``trials`` trials of chance ``p`` end with chance ``level``."""
    n = max(1, round(trials))
    below = bdtr(np.arange(n + 1.0), n, p)  # scipy.stats is slow to import
    low, high = np.searchsorted(below, [0.5 - level / 2, 0.5 + level / 2]) / n
    return float(low), float(high)


def reliability(stated: Array, hit: NDArray, group: NDArray, bins: int = BINS) -> pd.DataFrame:
    """Stated chances against what came, in equal bins of the chance; empty bins left out.

    Columns: n, stated (mean chance), observed, lo, hi (95 % interval of observed), holds
    (whether the mean chance lies in it).
    """
    at = np.minimum((np.asarray(stated) * bins).astype(int), bins - 1)
    rows = []
    for b in np.unique(at):
        inside = at == b
        found = grouped_share(hit[inside], group[inside])
        mean = float(stated[inside].mean())
        holds = found.lo <= mean <= found.hi
        rows.append((int(inside.sum()), mean, found.share, found.lo, found.hi, holds))
    return pd.DataFrame(rows, columns=["n", "stated", "observed", "lo", "hi", "holds"])


def brier(stated: Array, hit: NDArray) -> float:
    """Mean squared difference of chance and outcome (Brier 1950, Mon. Weather Rev. 78, 1)."""
    return float(np.mean((np.asarray(stated) - hit) ** 2))


def pseudo_targets(mean: Array, covariance: Array, tolerance: float, seed: int = 0) -> Array:
    """Colours a job might have asked for, (n, TARGETS_PER_PRINT, 3), round predictions.

    A random direction from each prediction N(``mean``, ``covariance``), and a distance of
    ``tolerance`` plus up to ``REACH`` standard deviations of dE00 along it either way.
    Measured colours play no part, so the chances of hitting them can be checked.
    """
    rng = np.random.default_rng(seed)
    shape = (len(mean), TARGETS_PER_PRINT)
    direction = rng.standard_normal((*shape, 3))
    direction /= np.linalg.norm(direction, axis=2, keepdims=True)
    start = np.broadcast_to(mean[:, None], direction.shape)
    slope = delta_e00(start, start + direction)  # dE00 for one unit of Lab
    sd = np.sqrt(np.einsum("nti,nij,ntj->nt", direction, covariance, direction)) * slope
    away = np.maximum(tolerance + rng.uniform(-REACH, REACH, shape) * sd, 0.0)
    return start + direction * (away / slope)[:, :, None]
