"""One set-up over several garments: how its errors hang together.

A press that lays more ink than predicted does so on every garment of the job, so chances of
being in tolerance must not be multiplied. The covariance over garments is that of the model
itself: weights are shared (``Phi_i C Phi_j'``), what the weights do not carry is shared unless it
belongs to the garment, prints of one job share their film error, and only the scatter from
print to print and the instrument are each garment's own.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from learn.colour.colorimetry import delta_e00
from learn.fit.linearisation import DIRECTIONS, JOB_DIRECTIONS
from learn.predict.causes import Unseen
from learn.predict.verdict import Facts, difference

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel

Array = NDArray[np.float64]
Index = NDArray[np.intp]

N_DRAWS = 1024
BLOCK = 300  # prints at a time, to bound memory
UNDERBASE = ["underbase_ink_id", "underbase_mesh_id", "underbase_strokes"]


class Joint(NamedTuple):
    """n set-ups on g garments, as one Gaussian a set-up."""

    mean: Array  # (n, g, 3) Lab
    covariance: Array  # (n, 3 g, 3 g) of the next measured prints, one a garment, of one job
    scatter: Array  # (n, 3 g, 3 g) the part of it that no knowledge removes

    def take(self, rows: Index | slice) -> Joint:
        """Some of the set-ups."""
        return Joint(*(part[rows] for part in self))


class LeftOver(NamedTuple):
    """Covariances (n, 3 g, 3 g) beside that of the weights."""

    unknown: Array  # what more prints could teach
    scatter: Array  # of job, print and instrument: no knowledge removes it


class Outcome(NamedTuple):
    """What may come of n set-ups on g garments, by common draws."""

    p: Array  # (n, g) chance of each garment to be within tolerance
    p_all: Array  # (n,) of all at once
    worst: Array  # (n, 3) 5 %, 50 %, 95 % quantile of the worst garment's dE00


def on_garments(
    setups: pd.DataFrame, garments: list[str], based: NDArray[np.bool_] | None = None
) -> pd.DataFrame:
    """Every set-up on every garment, (n g) rows, garments running fastest.

    ``based`` (n, g): where False, that garment is printed without the set-up's base.
    """
    rows = setups.iloc[np.repeat(np.arange(len(setups)), len(garments))].reset_index(drop=True)
    for column in UNDERBASE[:2]:
        rows[column] = rows[column].astype(object) if column in rows else None
    rows["substrate_id"] = np.tile(np.array(garments, object), len(setups))
    if based is not None:
        bare = ~based.ravel()
        rows.loc[bare, UNDERBASE[:2]] = None
        rows.loc[bare, UNDERBASE[2]] = np.nan
    return rows


def joint(
    model: ShiftModel,
    setups: pd.DataFrame,
    garments: list[str],
    based: NDArray[np.bool_] | None = None,
) -> Joint:
    """Predict ``setups`` (n rows, any garment) on ``garments``, with errors in common."""
    n, g = len(setups), len(garments)
    mean = np.empty((n, g, 3))
    covariance, scatter = np.empty((n, 3 * g, 3 * g)), np.empty((n, 3 * g, 3 * g))
    step = max(1, BLOCK // g)
    for start in range(0, n, step):
        rows = slice(start, start + step)
        some = on_garments(setups.iloc[rows], garments, None if based is None else based[rows])
        mean[rows], covariance[rows], scatter[rows] = _block(model, some, g)
    return Joint(mean, covariance, scatter)


def _block(model: ShiftModel, setups: pd.DataFrame, g: int) -> Joint:
    linear, design = model.linearised(setups)
    n = len(setups) // g
    phi = linear.phi.dense()
    free = ~model.layout_.physical
    mean = linear.lab + phi[:, :, free] @ model.weights_[free]
    p = phi.shape[2]
    half = solve_triangular(
        model.posterior_.root, phi.reshape(-1, p).T, trans="T", check_finite=False
    )
    half = half.T.reshape(n, 3 * g, p)
    total = half @ half.transpose(0, 2, 1)
    remainders = [block.remainder for block in design.blocks[model.layout_.first_term :]]
    unknown, scatter = left_over(model, remainders, design.directions, design.instrument, g)
    total += unknown + scatter
    spread = np.repeat(model._spread(linear.rows.X).reshape(n, g), 3, axis=1)
    total = total * spread[:, :, None] * spread[:, None, :]
    return Joint(mean.reshape(n, g, 3), total, scatter)


def left_over(
    model: ShiftModel, remainders: list[Array | None], u: Array, instrument: Array, g: int
) -> LeftOver:
    """What the weights do not carry, of n set-ups on g garments, garments running fastest.

    Parameters
    ----------
    remainders : a term each, (n g,) share of its prior variance, or None
    u : (n g, d, 3) Lab along each of `linearise.DIRECTIONS` but the last, "free"
    instrument : (n g,) variance of a reading
    """
    n, hyper = len(u) // g, model.hyper_
    eye = np.broadcast_to(np.eye(3), (n * g, 3, 3))
    unknown, scatter = np.zeros((n, 3 * g, 3 * g)), np.zeros((n, 3 * g, 3 * g))

    def along(direction: int, sd: Array | float) -> Array:
        """Lab along a direction, (n g, 3, k): one vector, or all three axes where free."""
        vectors = eye if DIRECTIONS[direction] == "free" else u[:, direction, :, None]
        return vectors * np.reshape(sd, (-1, 1, 1))

    def together(vectors: Array) -> Array:
        stacked = vectors.reshape(n, 3 * g, -1)
        return stacked @ stacked.transpose(0, 2, 1)

    def apart(covariance: Array) -> Array:
        out, own = np.zeros((n, 3 * g, 3 * g)), covariance.reshape(n, g, 3, 3)
        for i in range(g):
            out[:, 3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = own[:, i]
        return out

    terms = model.layout_.terms
    for fitted, rest, log_sd in zip(
        terms, remainders, hyper.block[model.layout_.first_term :], strict=True
    ):
        if rest is None or not rest.any():
            continue
        term = fitted.term
        vectors = along(DIRECTIONS.index(term.direction), np.exp(log_sd) * np.sqrt(rest))
        if _of_the_garment(term.levels, term.smooth):
            unknown += apart(vectors @ vectors.transpose(0, 2, 1))
        else:
            unknown += together(vectors)
    own = instrument[:, None, None] * np.eye(3)
    for direction, log_sd in enumerate(hyper.noise):
        vectors = along(direction, np.exp(log_sd))
        own = own + vectors @ vectors.transpose(0, 2, 1)
    scatter += apart(own)
    for direction, log_sd in zip(JOB_DIRECTIONS, hyper.job, strict=True):
        scatter += together(along(direction, np.exp(log_sd)))
    return LeftOver(unknown, scatter)


def _of_the_garment(levels: str | None, smooth: tuple[str, ...]) -> bool:
    return levels in ("substrate", "fibre") or any(c.startswith("back_") for c in smooth)


def draws(predicted: Joint, n_draws: int = N_DRAWS) -> Array:
    """Prints (n, n_draws, g, 3) drawn from ``predicted``: the same random numbers for every
    set-up, so that set-ups are compared under equal luck."""
    n, g = predicted.mean.shape[:2]
    half = np.random.default_rng(20_240).standard_normal((n_draws // 2, 3 * g))
    z = np.concatenate([half, -half])
    values, vectors = np.linalg.eigh(predicted.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :] @ vectors.transpose(0, 2, 1)
    prints = predicted.mean[:, None] + (z @ root).reshape(n, n_draws, g, 3)
    return prints


def outcome(predicted: Joint, target: Array, tolerance: float) -> Outcome:
    """Chances of ``predicted`` prints to lie within ``tolerance`` dE00 of ``target`` (3,)."""
    n, g = predicted.mean.shape[:2]
    out = Outcome(np.empty((n, g)), np.empty(n), np.empty((n, 3)))
    step = max(1, 30_000 // (N_DRAWS * g) * 10)
    for start in range(0, n, step):
        rows = slice(start, start + step)
        some = predicted.take(rows)
        dE = delta_e00(draws(some), target)
        worst = dE.max(axis=2)
        out.p[rows] = (dE <= tolerance).mean(axis=1)
        out.p_all[rows] = (worst <= tolerance).mean(axis=1)
        out.worst[rows] = np.quantile(worst, [0.05, 0.5, 0.95], axis=1).T
    return out


def facts_of(
    predicted: Joint, target: Array, tolerance: float, unseen: Sequence[Collection[Unseen]]
) -> Facts:
    """What the verdict on each set-up rests on, all garments of the job taken together.

    On one garment by the very draws of `learn.predict.verdict.judge`, so that a set-up gets
    the same verdict wherever it is asked about.
    """
    n, g = predicted.mean.shape[:2]
    off = delta_e00(predicted.mean, target).max(axis=1)
    tolerances, steady = np.full(n, tolerance), predicted._replace(covariance=predicted.scatter)
    if g == 1:
        aim = np.broadcast_to(np.asarray(target, float), (n, 3))
        p, p_steady = (
            difference(one.mean[:, 0], one.covariance, aim, tolerances).p_within
            for one in (predicted, steady)
        )
    else:
        p, p_steady = (outcome(one, target, tolerance).p_all for one in (predicted, steady))
    return Facts(p, p_steady, off, tolerances, np.full(n, True), unseen)


def spread_between(lab: Array) -> Array:
    """Largest dE00 between any two garments, (...), of Lab (..., g, 3)."""
    first, second = np.triu_indices(lab.shape[-2], 1)
    if not len(first):
        return np.zeros(lab.shape[:-2])
    return delta_e00(lab[..., first, :], lab[..., second, :]).max(axis=-1)
