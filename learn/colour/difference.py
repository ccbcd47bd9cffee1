"""dE00 of uncertain colours: how far from a target, with what chance within a tolerance.

dE00 to a target follows no simple law: it is sampled, with the same draws for every colour, so
that chances are smooth in the inputs and the same question always gets the same answer. The
draws lie as errors of predictions are believed to lie (`learn.normal.believed`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from learn.colour.colorimetry import delta_e00
from learn.normal import believed, distance_at, quasi_random, root, scattered

Array = NDArray[np.floating]

N_DRAWS = 512
BLOCK = 2000  # colours at a time, to bound memory
METRIC_STEP = 0.05  # units of Lab
OUTSIDE = 0.10  # share of prints beyond the ellipsoid whose ends are shown


class Difference(NamedTuple):
    """dE00 between an uncertain print and a reference: of what is expected, 90 % interval, chance.

    Scatter only ever adds to a difference: close to the reference, 19 of 20 prints may lie farther
    off than the colour expected of them. The interval then begins with that one, and holds more.
    """

    expected: Array  # (n,) between the two means
    lo: Array  # (n,) 5 % quantile, or ``expected`` if that is less
    hi: Array  # (n,) 95 % quantile, or ``expected`` if that is more
    p_within: Array  # (n,) probability of lying within the tolerance


def difference(
    mean: Array,
    covariance: Array,
    reference: Array,
    tolerance: Array,
    reference_covariance: Array | None = None,
    *,
    steady: bool = False,
) -> Difference:
    """dE00 of prints predicted with mean and covariance to references, which may be uncertain too.

    Parameters
    ----------
    mean, reference : (n, 3) Lab
    covariance, reference_covariance : (n, 3, 3)
    tolerance : (n,) dE00
    steady : whether all is known, and ``covariance`` the scatter of prints alone: a normal law
    """
    n = len(mean)
    out = np.empty((4, n))
    out[0] = delta_e00(mean, reference)
    d = 3 if reference_covariance is None else 6
    z = quasi_random(N_DRAWS, d) if steady else believed(quasi_random(N_DRAWS, d + 1))
    for start in range(0, n, BLOCK):
        rows = slice(start, start + BLOCK)
        prints = mean[rows, None] + scattered(covariance[rows], z[:, :3])
        target = reference[rows, None]
        if reference_covariance is not None:
            target = target + scattered(reference_covariance[rows], z[:, 3:])
        dE = delta_e00(prints, np.broadcast_to(target, prints.shape))
        low, high = np.quantile(dE, [0.05, 0.95], axis=1)
        out[1, rows], out[2, rows] = np.minimum(low, out[0, rows]), np.maximum(high, out[0, rows])
        out[3, rows] = within(dE, tolerance[rows, None])
    return Difference(*out)


def within(dE: Array, tolerance: ArrayLike) -> Array:
    """Chance (...) to lie within ``tolerance``, from draws of dE00 (..., draws)."""
    return (dE <= np.asarray(tolerance, float)).mean(axis=-1)


def from_mean(mean: Array, covariance: Array, z: Array) -> Array:
    """dE00 (n, m) of draws from N(mean (n, 3), covariance (n, 3, 3)) to the mean itself, by
    standard normal ``z`` (m, 3)."""
    prints = mean[:, None] + scattered(covariance, z)
    return delta_e00(prints, np.broadcast_to(mean[:, None], prints.shape))


def local_metric(lab: Array) -> Array:
    """dE00 near each of ``lab`` (n, 3) as a quadratic form (n, 3, 3): dE00^2 = d' M d.

    Examples
    --------
    >>> near, off = np.array([[60.0, 5.0, 5.0]]), np.array([0.3, -0.2, 0.1])
    >>> by_form = np.sqrt(off @ local_metric(near)[0] @ off)
    >>> bool(abs(by_form / delta_e00(near[0], near[0] + off) - 1) < 0.02)
    True
    """
    axes = np.eye(3) * METRIC_STEP
    metric = np.empty((len(lab), 3, 3))
    for i in range(3):
        for j in range(3):
            plus = delta_e00(lab, lab + axes[i] + axes[j]) ** 2
            minus = delta_e00(lab, lab + axes[i] - axes[j]) ** 2
            metric[:, i, j] = (plus - minus) / (4 * METRIC_STEP**2)
    return (metric + metric.transpose(0, 2, 1)) / 2


def far_ends(mean: Array, covariance: Array) -> Array:
    """The two most different colours (n, 2, 3) of each 90 % ellipsoid, the darker first.

    The ellipsoid d' C^-1 d = q of N(mean (n, 3), covariance C (n, 3, 3)) holds 90 % of prints. With
    C = R R' its points are d = sqrt(q) R u, |u| = 1, and dE00^2 between the ends +-d is about
    4 q u' R' M R u: largest along the first eigenvector of R' M R, M the local metric of dE00.

    Examples
    --------
    >>> one, other = far_ends(np.array([[50.0, 0.0, 0.0]]), np.diag([4.0, 0.01, 0.01])[None])[0]
    >>> float(one[0].round(1)), float(other[0].round(1))
    (45.0, 55.0)
    """
    half = root(covariance)
    _, vectors = np.linalg.eigh(half.transpose(0, 2, 1) @ local_metric(mean) @ half)
    away = np.sqrt(distance_at(OUTSIDE)) * (half @ vectors[:, :, -1:])[:, :, 0]
    away *= np.where(away[:, :1] > 0, -1.0, 1.0)
    return mean[:, None] + np.stack([away, -away], axis=1)
