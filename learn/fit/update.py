"""A batch learnt on top of a fitted model: new levels get columns, old ones keep theirs.

The posterior of all earlier prints stands as one p x p precision. New inks, lots, garments
and presses add weights at their prior; then the batch adds its information. Hyper-parameters
and inducing points stay as fitted, and nothing grows with the length of the history.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.fit.fitting import JUDGED, SETTLED
from learn.fit.jumps import Jump, of_batch
from learn.fit.linearisation import Layout, Rows
from learn.fit.lot_cards import LATENTS, LotCard, level_of
from learn.fit.slips import DOUBTFUL
from learn.fit.strangeness import believed_of, contradicted, judged, rescaled
from learn.gp import posterior as residual
from learn.gp.apart import Apart
from learn.gp.arrow import FREE
from learn.gp.posterior import Block, Design, Hyper, Posterior
from learn.normal import squared_distance
from learn.physics.drawdowns import N_WAVELENGTHS
from learn.physics.print_model import SHAPES
from learn.physics.shelf import BEND_DIRECTIONS, POSTERIOR_DIRECTIONS, Shelf

Array = NDArray[np.floating]

# Gauss-Newton steps on a batch: what came before is linear, and the batch nearly so.
STEPS = 4


class Grown(NamedTuple):
    """A model's inner state."""

    layout: Layout
    hyper: Hyper
    weights: Array
    posterior: Posterior


def joined(old: Shelf, new: Shelf) -> Shelf:
    """The inks of ``new`` after those of ``old``."""

    def both(name: str) -> Array:
        return np.concatenate([getattr(old, name), getattr(new, name)])

    return Shelf(
        ink_ids=[*old.ink_ids, *new.ink_ids],
        known_from=[*old.known_from, *new.known_from],
        log_k=both("log_k"),
        log_s=both("log_s"),
        directions_k=both("directions_k"),
        directions_s=both("directions_s"),
        bucket_measured=both("bucket_measured"),
        missed=old.missed,
    )


def with_room(state: Grown, shelf: Shelf, X: pd.DataFrame | None = None) -> Grown:
    """The same knowledge with weights for every ink of ``shelf`` (those of before first)
    and every level of ``X``; what is new stands at its prior."""
    old = state.layout
    terms = old.terms if X is None else [t.with_levels(X) for t in old.terms]
    layout = Layout(shelf, terms, old.viewing, old.centre)
    if layout.size == old.size and shelf.ink_ids == old.shelf.ink_ids:
        return state._replace(layout=layout)
    to = old.placed_in(layout)
    hyper = _hyper(state.hyper, old, layout)
    blocks = [Block(name, columns) for name, columns in layout.blocks]
    variance = residual.column_variance(blocks, hyper.block, layout.size)
    mean, weights, post = np.zeros(layout.size), np.zeros(layout.size), state.posterior
    mean[to], weights[to] = post.mean, state.weights
    # nothing ties what is new to the rest, and the old columns keep their order
    if isinstance(post.factor, Apart):
        factor = Apart(post.factor.core, to[post.factor.at], variance**-0.5)
        factor.alone[to] = post.factor.alone
    else:
        factor = Apart(post, to, variance**-0.5)
    grown = Posterior(mean, factor, post.log_evidence)
    if layout.size - len(factor.at) <= FREE:
        grown = replace(grown, factor=grown.root)
    return Grown(layout, hyper, weights, grown)


def surprise(
    state: Grown, rows: Rows, lab: Array, log_lengths: Array, repeat: float
) -> tuple[Array, Array]:
    """How far each print lies from what the model expects of it: in Lab (n, 3), and as squared
    standardised distance (n,)."""
    return _off(state, _design(state, rows, lab, log_lengths, repeat)[1])


def _off(state: Grown, design: Design) -> tuple[Array, Array]:
    mean, cov = residual.predict(design.phi, state.posterior)
    cov = cov + residual.new_job_noise(design, state.hyper)
    return design.y - mean, squared_distance(design.y - mean, cov)


def jump_of(
    state: Grown,
    rows: Rows,
    lab: Array,
    log_lengths: Array,
    repeat: float,
    *,
    printed: Collection[str],
) -> Jump | None:
    """A press that lays otherwise since some day of a batch (`learn.fit.jumps`), of stretches
    ``printed`` before; prints far off by themselves count for less."""
    if not (len(lab) and state.layout.parts_presses):
        return None
    _, design = _design(state, rows, lab, log_lengths, repeat)
    _, squared = _off(state, design)
    design = replace(design, noise_scale=np.maximum(1.0, squared / DOUBTFUL))
    return of_batch(design, state.hyper, state.posterior, rows.X, printed)


def learnt(
    state: Grown,
    rows: Rows,
    lab: Array,
    log_lengths: Array,
    repeat: float,
    few: Collection[str] = (),
    settled: Collection[str] = (),
) -> Grown:
    """The state with the prints learnt as well: Gauss-Newton on them, with all that came
    before as the prior.

    ``few``: inks of which so few prints were learnt from that these judge their drawdowns;
    ``settled``: lots that are as strange as their cards say.
    """
    post = state.posterior
    for _ in range(JUDGED):
        state, post = _moved(state, rows, lab, log_lengths, repeat)
        found = judged(state.layout, state.hyper, post, ahead=True, settled=settled)
        layout, factor = found or (state.layout, np.ones(state.layout.size))
        off = contradicted(layout, state.hyper, post, few)
        if found is None and off is None:
            break
        now = state.hyper
        if off is not None:
            layout, now, factor = off.layout, off.hyper, factor * off.factor
        before = rescaled(state.posterior, layout, state.hyper, factor, now)
        state = Grown(layout, now, state.weights * factor, before)
    else:
        state, post = _moved(state, rows, lab, log_lengths, repeat)
    return state._replace(posterior=post)


def with_cards(state: Grown, cards: Collection[LotCard]) -> tuple[Grown, list[LotCard]]:
    """The state with what cards say of lots (`learn.fit.lot_cards`), printed or not; and what each
    says of its lot by itself, whatever that of the ink's own cards was.

    How strange a lot never printed is, its card alone decides.
    """
    at = _terms_of_lots(state.layout)
    if not cards or at is None:
        return state, []
    known = set(state.layout.terms[at[0]].level_names)
    state = with_room(state, state.layout.shelf, pd.DataFrame({"lot": [c.level for c in cards]}))
    terms, alone = list(state.layout.terms), []
    names, tails = terms[at[0]].level_names, terms[at[0]].term.tails
    usual = np.exp(2 * state.hyper.block[[state.layout.first_term + i for i in at]])
    for card in cards:
        if card.level not in names:
            continue
        information, told = _beside(card, *_of_own(card, state, at, usual))
        if card.level not in known and tails is not None:
            strange = terms[at[0]].strange.copy()
            found = believed_of(information, told, usual, tails)
            strange[names.index(card.level)], information, told = found
            for i in at:
                terms[i] = replace(terms[i], strange=strange)
        alone.append(card._replace(information=information, told=told))
    layout = replace(state.layout, terms=terms)
    post = with_information(state.posterior, layout, alone)
    weights = state.weights + post.mean - state.posterior.mean
    return Grown(layout, state.hyper, weights, post), alone


def with_information(post: Posterior, layout: Layout, cards: Collection[LotCard]) -> Posterior:
    """``post`` with what cards say, each of its lot by itself: linear in the weights."""
    at = _terms_of_lots(layout)
    if not cards or at is None:
        return post
    found = []
    for card in cards:
        columns, scale = _of_lot(layout, at, card.level)
        found.append((columns, card.information * np.outer(scale, scale), card.told * scale))
    return residual.informed(post, found)


def _of_lot(layout: Layout, at: list[int], level: str) -> tuple[NDArray[np.intp], Array]:
    """The weights (4,) of a lot that the model has, and what its `LATENTS` are times these."""
    k = layout.terms[at[0]].level_names.index(level)
    columns = np.array([layout.term_slices[i].start + k for i in at])
    return columns, np.sqrt([layout.terms[i].strange[k] for i in at])


def _of_own(card: LotCard, state: Grown, at: list[int], usual: Array) -> tuple[Array, Array]:
    """Mean (4,) and covariance (4, 4) of the `LATENTS` of the lot of the ink's own cards: as it has
    printed, or any usual one where none is named."""
    own = level_of(card.ink, card.beside or "")
    if own not in state.layout.terms[at[0]].level_names:
        return np.zeros(len(usual)), np.diag(usual + _moved_from_cards(state, card.ink))
    columns, scale = _of_lot(state.layout, at, own)
    covariance = state.posterior.covariance_of(columns) * np.outer(scale, scale)
    return scale * state.weights[columns], covariance


def _terms_of_lots(layout: Layout) -> list[int] | None:
    """Positions of the terms of `LATENTS` by lot; None where the model lacks one."""
    of_latent = {
        fitted.term.direction: i
        for i, fitted in enumerate(layout.terms)
        if fitted.term.levels == "lot" and fitted.term.direction in LATENTS
    }
    return [of_latent[one] for one in LATENTS] if set(of_latent) == set(LATENTS) else None


def _beside(card: LotCard, mean: Array, covariance: Array) -> tuple[Array, Array]:
    """Information (4, 4) and what it tells (4,) of a lot by itself, where that of the ink's own
    cards is believed to be of ``mean`` (4,) and ``covariance`` (4, 4)."""
    vague = np.linalg.inv(np.eye(len(mean)) + card.information @ covariance)
    return vague @ card.information, vague @ (card.told + card.information @ mean)


def _moved_from_cards(state: Grown, ink: str) -> Array:
    """By what variance (4,) of `LATENTS` the lot of an ink's cards may be off more than others:
    as far as its prints have moved the ink from its cards beyond what they do of inks."""
    layout, weights = state.layout, state.weights
    at, sd = layout.shelf.ink_ids.index(ink), np.median(layout.bend_sd(state.hyper), axis=0)
    own = np.hstack([weights[s].reshape(layout.n_inks, -1)[at] for s in layout.slices[1:4]])
    size = np.concatenate([np.ones(POSTERIOR_DIRECTIONS), np.repeat(sd, BEND_DIRECTIONS)])
    shapes = np.column_stack([np.ones(N_WAVELENGTHS), *SHAPES.values()])
    along_k = np.linalg.lstsq(shapes, layout.shelf.directions_k[at].T)[0]
    along = np.vstack([along_k, layout.shelf.directions_s[at].mean(axis=1)])  # (4, q)
    excess: Array = (along @ own) ** 2 - ((along * size) ** 2).sum(axis=1)
    return np.maximum(excess, 0.0)


def _moved(
    state: Grown, rows: Rows, lab: Array, log_lengths: Array, repeat: float
) -> tuple[Grown, Posterior]:
    """Where Gauss-Newton on the prints ends, and the posterior there."""
    before = post = state.posterior
    for _ in range(STEPS):
        rows, design = _design(state, rows, lab, log_lengths, repeat)
        post = residual.updated(before, design, state.hyper)
        features = state.layout.features(rows, log_lengths)
        misfit = partial(_misfit, state, rows, lab, design, features, before.precision)
        step, here = post.mean - state.weights, misfit(state.weights)
        trials = (state.weights + share * step for share in (1.0, 0.5, 0.25, 0.1))
        better = next((w for w in trials if misfit(w) < here), None)
        if better is None:
            break
        state = state._replace(weights=better)
        if here - misfit(better) < SETTLED:
            break
    return state, post


def _misfit(
    state: Grown,
    rows: Rows,
    lab: Array,
    design: Design,
    features: list[tuple[Array, Array]],
    precision: Array,
    w: Array,
) -> float:
    away = w - state.posterior.mean
    error = lab - state.layout.lab(rows, w, features)
    return residual.misfit(design, state.hyper, error) + float(away @ precision @ away)


def _design(
    state: Grown, rows: Rows, lab: Array, log_lengths: Array, repeat: float
) -> tuple[Rows, Design]:
    linear = state.layout.linearise(rows, state.weights, log_lengths)
    return linear.rows, state.layout.design(linear, lab, state.weights, repeat)


def _hyper(hyper: Hyper, old: Layout, new: Layout) -> Hyper:
    """Blocks of old inks and of the terms as they were; a new ink bends like the others."""
    was = dict(zip((name for name, _ in old.blocks), hyper.block, strict=True))
    block = np.array([was.get(name, np.nan) for name, _ in new.blocks])
    known = np.isin(new.shelf.ink_ids, old.shelf.ink_ids)
    return new.with_pooled_bends(replace(hyper, block=block), known)
