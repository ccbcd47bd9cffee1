"""Several set-ups at once: how the errors of their predictions hang together.

The covariance is that of the model itself (`learn.gp.covariance`). What the weights do not carry
of a term is shared between set-ups as far as its levels and numbers are the same; on the garments
of one job, unless it belongs to the garment.
"""

from __future__ import annotations

import copy
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.fit.eras import no_jumps
from learn.fit.linearisation import DIRECTIONS, JOB_DIRECTIONS
from learn.gp import covariance, posterior
from learn.gp.covariance import Belief, Rest
from learn.predict import carrying
from learn.predict.protocol import Joint

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel

Array = NDArray[np.floating]

BLOCK = 300  # prints at a time, to bound memory
STILL = 1e-5  # what is left of the standard deviation of a term that is switched off


class LeftOver(NamedTuple):
    """Covariances (n, 3 g, 3 g) beside that of the weights."""

    unknown: Array  # what more prints could teach
    scatter: Array  # of job, print and instrument: no knowledge removes it


class Ordered(NamedTuple):
    """n prints in time order, each forecast from all before it."""

    X: pd.DataFrame
    root: Array  # (3 n, 3 n) lower, of the covariance of their errors
    white: Array  # (3 n,) standardised forecast errors of L, a, b
    along: Array  # (n, 3) Lab a unit of log film, base and ink alike


def between(
    model: ShiftModel,
    setups: pd.DataFrame,
    screen: NDArray | None = None,
    after: pd.DataFrame | None = None,
) -> Belief:
    """The covariance between set-ups; see `learn.predict.protocol.PrintModel.between`."""
    linear, design = model.linearised(setups)
    layout, hyper, n = model.layout_, model.hyper_, len(setups)
    unknown = covariance.by_weights(linear.phi, model.posterior_)
    lengths = layout.lengths_of(model.log_lengths_)
    first = layout.first_term
    of_terms = zip(layout.terms, design.blocks[first:], lengths, hyper.block[first:], strict=True)
    rests = (
        Rest(
            block.direction,
            np.exp(sd) * np.sqrt(block.remainder),
            term.alike(linear.rows.X, length) if block.remainder.any() else None,
        )
        for term, block, length, sd in of_terms
        if block.direction is not None and block.remainder is not None
    )
    unknown += covariance.by_rests(design.directions, rests)
    mean, unsure = carrying.by_tangents(model, linear, () if after is None else after["ink_id"])
    ink = linear.rows.stack.ink
    unknown += covariance.in_common(unsure[:, :, None], ink[:, None] == ink)
    scatter = posterior.own_noise(design, hyper)
    screen = np.full(n, -1) if screen is None else screen
    alone = screen < 0
    scatter[alone] += posterior.job_noise(design, hyper)[alone]
    if not alone.all():
        same = (screen[:, None] == screen) & ~alone
        unknown += covariance.by_jobs(design.job_directions, hyper, same)
    return Belief(mean, unknown.reshape(n, 3, n, 3), scatter)


def as_told(model: ShiftModel, known: Belief, setups: pd.DataFrame) -> Belief:
    """See `learn.predict.protocol.PrintModel.as_told`."""
    X = model.features(setups)
    wide = known.widened(model.likeness_.spread(X, model.spread_factors_))
    apart, of = model.likeness_.apart(X), model.likeness_.apart_by(X)
    same = (of[:, None] == of) & (of >= 0)[:, None]
    off = covariance.in_common(apart[:, :, None], same)
    return wide._replace(unknown=wide.unknown + off.reshape(wide.unknown.shape))


def as_jobs(model: ShiftModel, setups: pd.DataFrame, g: int) -> Joint:
    """One job each ``g`` rows; see `learn.predict.protocol.PrintModel.predict_joint`."""
    n = len(setups) // g
    out = Joint(np.empty((n, g, 3)), *(np.empty((n, 3 * g, 3 * g)) for _ in range(2)))
    step = max(1, BLOCK // g)
    for start in range(0, n, step):
        rows = slice(start, start + step)
        some = _some_jobs(model, setups.iloc[start * g : (start + step) * g], g)
        for part, found in zip(out, some, strict=True):
            part[rows] = found
    return out


def _some_jobs(model: ShiftModel, setups: pd.DataFrame, g: int) -> Joint:
    linear, design = model.linearised(setups)
    total = covariance.by_weights(linear.phi, model.posterior_, g)
    remainders = [block.remainder for block in design.blocks[model.layout_.first_term :]]
    unknown, scatter = left_over(model, remainders, design.directions, design.instrument, g)
    mean, unsure = carrying.by_tangents(model, linear)
    total += unknown + scatter + covariance.in_common(unsure[:, :, None], group=g)
    spread = model.likeness_.spread(linear.rows.X, model.spread_factors_)
    spread = np.repeat(spread.reshape(-1, g), 3, axis=1)
    total = total * spread[:, :, None] * spread[:, None, :]
    apart = model.likeness_.apart(linear.rows.X)
    total += covariance.in_common(apart[:, :, None], group=g)
    return Joint(mean.reshape(-1, g, 3), total, scatter)


def left_over(
    model: ShiftModel, remainders: Sequence[Array | None], u: Array, instrument: Array, g: int
) -> LeftOver:
    """What the weights do not carry, of n jobs on g garments, garments running fastest.

    Parameters
    ----------
    remainders : a term each, (n g,) share of its prior variance
    u : (n g, d, 3) Lab along each of `linearisation.DIRECTIONS` but the last, "free"
    instrument : (n g,) variance of a reading
    """
    layout, hyper = model.layout_, model.hyper_
    terms = [fitted.term for fitted in layout.terms]
    rests = [
        Rest(
            DIRECTIONS.index(term.direction),
            np.exp(log_sd) * np.sqrt(np.asarray(rest)),
            np.eye(g) if _of_the_garment(term.levels, term.smooth) else None,
        )
        for term, rest, log_sd in zip(
            terms, remainders, hyper.block[layout.first_term :], strict=True
        )
    ]
    own = covariance.apart(posterior.scatter(u, instrument, hyper), g)
    job = covariance.by_jobs(u[:, JOB_DIRECTIONS], hyper, group=g)
    return LeftOver(covariance.by_rests(u, rests, g), own + job)


def _of_the_garment(levels: str | None, smooth: tuple[str, ...]) -> bool:
    return levels in ("substrate", "fibre") or any(c.startswith("back_") for c in smooth)


def in_order(
    model: ShiftModel, prints: pd.DataFrame, lab: Array, first: int, still: Collection[str]
) -> Ordered:
    """Prints from the position ``first`` on, each forecast from all before it.

    Terms named in ``still`` are switched off, and no press has moved but by a recorded change.

    Parameters
    ----------
    prints : in time order, those of a job next to each other
    lab : (n, 3) as measured
    """
    standing = copy.copy(model)
    standing.encoder_ = replace(model.encoder_, jumps=no_jumps())
    linear, design = standing.linearised(prints, lab)
    block = model.hyper_.block.copy()
    block[[b.name in still for b in design.blocks]] = np.log(STILL)
    hyper = replace(model.hyper_, block=block)
    root, white = covariance.one_by_one(design, hyper, first)
    along = linear.vectors[first:, DIRECTIONS.index("both_films")]
    return Ordered(linear.rows.X, root, white, along)
