"""K and S of one ink by its drawdowns, and what these leave open.

Films over bright and over dark backings tell K from S: the most likely ink and the tangents there
(Laplace) say it all. One film over white is as well a dye as a paint that hides: log K bends as log
S rises, and no tangent reaches from one to the other. So such an ink is fitted at levels of log S.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

from learn.colour.colorimetry import Viewing
from learn.physics.drawdowns import N_WAVELENGTHS, Drawdowns, linearised

Array = NDArray[np.floating]

# K and S cannot be told apart unless backings differ by so much of reflectance.
APART = 0.3
# How far from what is usual an ink may scatter, in sds, and with tails of how many degrees; how
# closely it is held to each level.
SCATTER_SDS, SCATTER_TAILS, HELD_SD = np.arange(-4.0, 4.1, 0.5), 4.0, 0.003
# What the tangents at a level leave open counts by this power: they do not see how its ridge ends
# and, taken whole, favour inks that hide. Chosen so that bands over black reach dyes and paints
# alike, of made-up inks and of invented shops of no part; no source.
OPEN_POWER = 0.3


@dataclass(frozen=True)
class InkPrior:
    """What an ink may be before it is measured."""

    mean: Array  # (62,) log K, then log S, per um
    precision: Array  # (62, 62)


def leaves_scatter_open(rows: Drawdowns) -> bool:
    """Whether what was measured lies not over bright and over dark: a dye or a paint."""
    if not len(rows.film_um):
        return False  # nothing to weigh its levels by
    lightness = rows.back[np.isfinite(rows.film_um)].mean(axis=1)
    return not len(lightness) or bool(np.ptp(lightness) <= APART)


def fitted(
    rows: Drawdowns, prior: InkPrior, viewing: Viewing, missed: float
) -> tuple[Array, Array]:
    """Mean (62,) and covariance (62, 62) of log K and log S of an ink with these drawdowns.

    ``missed``: the share of a film's reflectance that theory misses.
    """
    if leaves_scatter_open(rows):
        return _over_levels(rows, prior, viewing, missed)
    return _most_likely(rows, prior, viewing, missed)


def _most_likely(
    rows: Drawdowns, prior: InkPrior, viewing: Viewing, missed: float, iterations: int = 60
) -> tuple[Array, Array]:
    """MAP (62,) and Laplace covariance (62, 62) by Levenberg-Marquardt."""

    def misfit(theta: Array, errors: list[Array], covariances: list[Array]) -> float:
        away = prior.mean - theta
        pairs = zip(errors, covariances, strict=True)
        return float(
            away @ prior.precision @ away + sum(e @ np.linalg.solve(c, e) for e, c in pairs)
        )

    theta, damping = prior.mean.copy(), 1.0
    curvature = prior.precision
    errors, jacobians, covariances = linearised(theta, rows, viewing, missed)
    for _ in range(iterations if errors else 0):
        gradient, curvature = prior.precision @ (prior.mean - theta), prior.precision.copy()
        for e, J, cov in zip(errors, jacobians, covariances, strict=True):
            solved = np.linalg.solve(cov, np.column_stack([e, J]))
            gradient += J.T @ solved[:, 0]
            curvature += J.T @ solved[:, 1:]
        here = misfit(theta, errors, covariances)
        while damping < 1e8:
            step = np.linalg.solve(curvature + damping * np.diag(np.diag(curvature)), gradient)
            step *= min(1.0, 2.0 / np.abs(step).max())
            trial = np.clip(theta + step, np.log(1e-7), np.log(50.0))
            moved = linearised(trial, rows, viewing, missed)
            # under the same covariances, else a step could pay by making itself vague
            gain = here - misfit(trial, moved[0], covariances)
            if gain > 0:
                break
            damping *= 5
        else:
            break
        theta, (errors, jacobians, covariances) = trial, moved
        damping = max(damping / 5, 1e-8)
        if gain < 1e-5 * (1 + here):
            break
    return theta, np.linalg.inv(curvature)


def _over_levels(
    rows: Drawdowns, prior: InkPrior, viewing: Viewing, missed: float
) -> tuple[Array, Array]:
    """Fits at levels of log S, weighed by how well each does, how usual it is and how much it
    leaves open (Laplace's method for the evidence: MacKay 1992, Neural Computation 4, 415-447,
    from memory): their mean and covariance."""
    level = np.repeat([0.0, 1.0 / N_WAVELENGTHS], N_WAVELENGTHS)
    usual, sd = level @ prior.mean, np.sqrt(level @ np.linalg.solve(prior.precision, level))
    held = prior.precision + np.outer(level, level) / HELD_SD**2
    thetas, inside, likely = [], [], []
    for sds in SCATTER_SDS:
        known = prior.precision @ prior.mean + (usual + sds * sd) * level / HELD_SD**2
        at = InkPrior(np.linalg.solve(held, known), held)
        theta, cov = _most_likely(rows, at, viewing, missed)
        away = theta - prior.mean
        misfit = away @ prior.precision @ away - sds**2  # its shape; its level has heavy tails
        misfit += (SCATTER_TAILS + 1) * np.log1p(sds**2 / SCATTER_TAILS)
        errors, _, covariances = linearised(theta, rows, viewing, missed)
        for e, c in zip(errors, covariances, strict=True):
            misfit += e @ np.linalg.solve(c, e) + np.linalg.slogdet(c)[1]
        thetas.append(theta)
        inside.append(cov)
        likely.append((OPEN_POWER * np.linalg.slogdet(cov)[1] - misfit) / 2)
    weight = softmax(likely)
    mean = weight @ np.stack(thetas)
    apart = np.stack(thetas) - mean
    return mean, np.einsum("k,kij->ij", weight, np.stack(inside)) + (weight * apart.T) @ apart
