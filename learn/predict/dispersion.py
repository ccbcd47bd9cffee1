"""How much wider or narrower bands must be in each situation: one model of all of them.

Standardised errors of prints left out whole group by whole group - job, ink, garment, ... - say by
what factor the bands of that situation would have held 90 %. Errors within a group are alike, so a
group counts for few prints, however many it has; a situation of few groups says little. The log
factors of the situations lie about a common one, as far apart as they show themselves to be, and
each is drawn towards it by as much as it is vague (a normal hierarchy: Gelman et al. 2013,
"Bayesian Data Analysis", 5.4). What is used is an upper quantile of what is then believed: bands
are as narrow as a shop has earned, and wide where it cannot know.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from learn.normal import Z90

Array = NDArray[np.floating]
Groups = NDArray[np.intp]

HELD = 0.9  # of L, a and b that bands are to hold
WIDEST = 3.0  # factors beyond say something is wrong
# How many groups the priors are worth that the sizes of effects were learnt with.
PRIOR_GROUPS = 4
# Prints of known things are predicted with about so many numbers learnt from themselves.
TUNED = 10
# A factor is this quantile of what is believed of it.
CAREFUL = 0.75
# Prior of the common log factor, and of how far situations lie from it (half-normal).
COMMON_SD, APART_SD = 0.2, 0.3
# Correlation within a group of lying outside, before any was seen; worth so many readings.
ALIKE, ALIKE_READINGS = 0.15, 300.0
# Where what is believed is reckoned: how far situations lie apart, and log factors.
_APART = np.linspace(0.01, 1.2, 60)
_LOGS = np.linspace(-2.0, 2.0, 2001)
# How fast the share of a normal law within q rises with log q, at 90 %.
_RISE = 2 * Z90 * np.exp(-(Z90**2) / 2) / np.sqrt(2 * np.pi)


class Errors(NamedTuple):
    """Standardised errors of prints left out in one situation."""

    z: Array  # (n, 3)
    group: Groups  # (n,) what errs together


class Scale(NamedTuple):
    """What one situation says of the log of its factor."""

    log: float
    sd: float


def pooled(parts: Sequence[Errors]) -> Errors:
    """All errors of one situation; groups of different parts are different."""
    part = np.repeat(np.arange(len(parts)), [len(p.z) for p in parts])
    names = np.column_stack([part, np.concatenate([p.group for p in parts])])
    group = np.unique(names, axis=0, return_inverse=True)[1].ravel()
    return Errors(np.concatenate([p.z for p in parts]), group)


def factors(seen: Mapping[str, Errors], asked: Sequence[str]) -> dict[str, float]:
    """Factor on standard deviations of each situation asked for, seen or not."""
    seen = {name: errors for name, errors in seen.items() if len(errors.z)}
    logs = upper({name: scale(errors) for name, errors in seen.items()}, asked)
    groups = [len(np.unique(seen[name].group)) if name in seen else 0 for name in asked]
    found = np.minimum(allowance(np.array(groups)) * np.exp(logs), WIDEST)
    return dict(zip(asked, found.tolist(), strict=True))


def allowance(groups: NDArray[np.intp]) -> Array:
    """By how much more than closed form says prints scatter that were truly held out (n,).

    How far apart meshes lie has been learnt from the very meshes that are left out: with a
    variance learnt from n groups, the 90 % band of another is that of Student's t with n
    degrees of freedom (Gelman et al. 2013, 3.2). Where nothing was left out, nothing is seen.
    """
    wider = stdtrit(groups + PRIOR_GROUPS, (1 + HELD) / 2) / Z90
    return np.where(groups > 0, wider, 1.0)


def tuned(jobs: int) -> float:
    """By how much more prints of known things scatter than their left-out errors say.

    Sizes of effects and length scales were learnt from these very prints. As the error of a
    regression with that many numbers of its own: sqrt(1 + p / n) (Akaike 1969, final prediction
    error, to first order; from memory).
    """
    return float(np.sqrt(1 + TUNED / max(jobs, 1)))


def factor(errors: Errors) -> float:
    """The same of one situation by itself, without the allowance."""
    seen = {"": scale(errors)} if len(errors.z) else {}
    return float(np.exp(upper(seen, [""])[0]))


def scale(errors: Errors) -> Scale:
    """The factor on standard deviations with which 90 % bands would have held 90 %.

    A group of n readings counts as n / (1 + (n - 1) r) independent ones, r being the correlation
    within groups of lying outside (the design effect of Kish 1965, "Survey Sampling").
    """
    size = np.abs(errors.z).ravel()
    group = np.unique(np.repeat(errors.group, errors.z.shape[1]), return_inverse=True)[1]
    r = alike(size > np.quantile(size, HELD), group)
    weight = (1 / (1 + (np.bincount(group) - 1) * r))[group]
    order = np.argsort(size)
    within = (np.cumsum(weight[order]) - weight[order] / 2) / weight.sum()
    quantile = np.interp(HELD, within, size[order])
    sd = np.sqrt(HELD * (1 - HELD) / weight.sum()) / _RISE
    return Scale(float(np.log(max(quantile, 1e-3) / Z90)), float(sd))


def alike(outside: NDArray[np.bool_], group: Groups) -> float:
    """Correlation of ``outside`` (n,) within groups (n,), each group by its size; the fewer
    readings, the nearer to what is usual."""
    away = outside - (1 - HELD)
    n = np.bincount(group)
    pairs = np.bincount(group, away) ** 2 - np.bincount(group, away**2)
    found = (pairs / np.maximum(n - 1, 1)).sum() / (HELD * (1 - HELD))
    readings = n[n > 1].sum()
    return float(np.clip((found + ALIKE * ALIKE_READINGS) / (readings + ALIKE_READINGS), 0.0, 1.0))


def upper(scales: Mapping[str, Scale], asked: Sequence[str]) -> Array:
    """The quantile `CAREFUL` of what is believed of the log factor of each situation asked for.

    For every distance that situations may lie apart, all is normal and in closed form; the
    distances are weighed by how well they explain what was seen.
    """
    names = list(dict.fromkeys([*scales, *asked]))
    at, seen = [names.index(name) for name in asked], len(scales)
    log, sd = np.array(list(scales.values())).reshape(-1, 2).T
    prior = COMMON_SD**2 + _APART[:, None, None] ** 2 * np.eye(len(names))
    total = prior[:, :seen, :seen] + np.diag(sd**2)
    gain = np.linalg.solve(total, prior[:, :seen]).transpose(0, 2, 1)
    mean = (gain @ log)[:, at]
    left = np.einsum("aii->ai", prior - gain @ prior[:, :seen])[:, at]
    fit = -0.5 * (
        log @ np.linalg.solve(total, log[:, None])[..., 0].T + np.linalg.slogdet(total)[1]
    )
    fit -= 0.5 * (_APART / APART_SD) ** 2
    weight = np.exp(fit - fit.max())
    below = ndtr((_LOGS - mean[..., None]) / np.sqrt(left)[..., None])
    belief = np.tensordot(weight / weight.sum(), below, 1)
    return np.array([np.interp(CAREFUL, one, _LOGS) for one in belief])
