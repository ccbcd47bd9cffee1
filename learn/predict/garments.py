"""One set-up over several garments: how its errors hang together.

A press that lays more ink than predicted does so on every garment of the job, so chances of
being in tolerance must not be multiplied: they come from draws of all garments at once.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.difference import difference, within
from learn.normal import drawn_errors, root
from learn.predict.causes import Unseen
from learn.predict.protocol import Joint, PrintModel
from learn.predict.verdict import Facts, hoped_for, may_be_hopeless, within_reach
from learn.shop import UNDERBASE, UNDERBASE_IDS

Array = NDArray[np.floating]
Index = NDArray[np.intp]

N_DRAWS = 1024


class Outcome(NamedTuple):
    """What may come of n set-ups on g garments, by common draws."""

    p: Array  # (n, g) chance of each garment to be within tolerance
    p_all: Array  # (n,) of all at once
    worst: Array  # (n, 2) 90 % interval of the worst garment's dE00 (`interval`)


def on_garments(
    setups: pd.DataFrame, garments: list[str], based: NDArray[np.bool_] | None = None
) -> pd.DataFrame:
    """Every set-up on every garment, (n g) rows, garments running fastest.

    ``based`` (n, g): where False, that garment is printed without the set-up's base.
    """
    rows = setups.iloc[np.repeat(np.arange(len(setups)), len(garments))].reset_index(drop=True)
    for column in UNDERBASE_IDS:
        rows[column] = rows[column].astype(object) if column in rows else None
    rows["substrate_id"] = np.tile(np.array(garments, object), len(setups))
    if based is not None:
        bare = ~based.ravel()
        rows.loc[bare, UNDERBASE_IDS] = None
        rows.loc[bare, UNDERBASE[2]] = np.nan
    return rows


def joint(
    model: PrintModel,
    setups: pd.DataFrame,
    garments: list[str],
    based: NDArray[np.bool_] | None = None,
) -> Joint:
    """Predict ``setups`` (n rows, any garment) on ``garments``, with errors in common."""
    return model.predict_joint(on_garments(setups, garments, based), len(garments))


def draws(predicted: Joint, *, steady: bool = False) -> Array:
    """Prints (n, draws, g, 3) drawn from ``predicted``: the same random numbers for every
    set-up, so that set-ups are compared under equal luck. ``steady`` where all is known but the
    scatter of prints."""
    n, g = predicted.mean.shape[:2]
    z = drawn_errors(N_DRAWS // 2, 3 * g, seed=20_240, steady=steady)
    away = z @ root(predicted.covariance)
    return predicted.mean[:, None] + away.reshape(n, N_DRAWS, g, 3)


def outcome(predicted: Joint, target: Array, tolerance: float, *, steady: bool = False) -> Outcome:
    """Chances of ``predicted`` prints to lie within ``tolerance`` dE00 of ``target``, (3,) or
    (n, g, 3); ``steady`` as in :func:`draws`."""
    n, g = predicted.mean.shape[:2]
    target = np.broadcast_to(target, (n, g, 3))
    out = Outcome(np.empty((n, g)), np.empty(n), np.empty((n, 2)))
    expected = delta_e00(predicted.mean, target).max(axis=1)
    step = max(1, 30_000 // (N_DRAWS * g) * 10)
    for start in range(0, n, step):
        rows = slice(start, start + step)
        some = predicted.take(rows)
        dE = delta_e00(draws(some, steady=steady), target[rows, None])
        worst = dE.max(axis=2)
        out.p[rows] = within(dE.transpose(0, 2, 1), tolerance)
        out.p_all[rows] = within(worst, tolerance)
        out.worst[rows] = interval(worst, expected[rows])
    return out


def interval(drawn: Array, expected: Array) -> Array:
    """90 % interval (n, 2) of differences ``drawn`` (n, draws), with the one ``expected`` (n,) of
    the colours predicted inside, as `learn.colour.difference.Difference` has it.

    >>> interval(np.array([np.arange(1, 22)]), np.array([0.5])).tolist()
    [[0.5, 20.0]]
    """
    low, high = np.quantile(drawn, [0.05, 0.95], axis=1)
    return np.stack([np.minimum(low, expected), np.maximum(high, expected)], axis=1)


def facts_of(
    predicted: Joint, target: Array, tolerance: float, unseen: Sequence[Collection[Unseen]]
) -> Facts:
    """What the verdict on each set-up rests on, all garments of the job taken together.

    On one garment by the very draws of `learn.predict.verdict.judge`, so that a set-up gets
    the same verdict wherever it is asked about.
    """
    n = len(predicted.mean)
    off = delta_e00(predicted.mean, target).max(axis=1)
    tolerances = np.full(n, tolerance)
    p = _chances(predicted, target, tolerance)
    flat = predicted.mean.reshape(n, -1)
    aims = np.broadcast_to(target, predicted.mean.shape).reshape(flat.shape)
    hoped = hoped_for(flat, predicted.covariance - predicted.scatter, aims)
    settled = Joint(hoped.reshape(predicted.mean.shape), predicted.scatter, predicted.scatter)
    p_steady = _chances(settled, target, tolerance, steady=True)
    at, p_on_target = may_be_hopeless(off, tolerances, unseen), np.ones(n)
    if len(at):
        some = predicted.take(at)
        p_on_target[at] = _chances(some, some.mean, tolerance)
        variance = np.einsum("nii->ni", some.covariance)
        reach = within_reach(flat[at], variance, aims[at])
        p_on_target[at[reach]] = 0.0
    return Facts(p, p_steady, p_on_target, off, tolerances, np.full(n, True), unseen)


def _chances(predicted: Joint, target: Array, tolerance: float, *, steady: bool = False) -> Array:
    """`outcome` on all garments at once, (n,); on one by the draws of `difference`."""
    n, g = predicted.mean.shape[:2]
    if g > 1:
        return outcome(predicted, target, tolerance, steady=steady).p_all
    aim, within_dE00 = np.broadcast_to(target, (n, 1, 3))[:, 0], np.full(n, tolerance)
    mean, covariance = predicted.mean[:, 0], predicted.covariance
    return difference(mean, covariance, aim, within_dE00, steady=steady).p_within


def spread_between(lab: Array) -> Array:
    """Largest dE00 between any two garments, (...), of Lab (..., g, 3)."""
    first, second = np.triu_indices(lab.shape[-2], 1)
    if not len(first):
        return np.zeros(lab.shape[:-2])
    return delta_e00(lab[..., first, :], lab[..., second, :]).max(axis=-1)
