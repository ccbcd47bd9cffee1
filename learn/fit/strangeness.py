"""How strange each level of a heavy-tailed term is: the batch of ink, the press unlike the others;
and an ink whose first prints contradict its drawdowns.

A Student t prior is a normal one whose variance differs from level to level. Given what a level
was found to do, its variance has a closed form, and the two are found in turn. That is expectation
maximisation (Liu & Rubin 1995, Statistica Sinica 5, 19) but for its pace: what the prints say
nothing about holds nothing back, for a level's weights count for as many as the prints determine
(MacKay 1992, Neural Computation 4, 415, from memory). Both end at the same place. Most levels stay
small, and the few that are not may be as large as their prints say.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve
from scipy.special import softmax

from learn.fit.linearisation import Layout
from learn.fit.residual import INK_TAILS, LOT_MOST
from learn.gp.posterior import Block, Hyper, Posterior, column_variance
from learn.gp.terms import Term, band_of
from learn.physics.shelf import POSTERIOR_DIRECTIONS

Array = NDArray[np.floating]

# Levels are judged again while the variance of one still moves by this (log).
STRANGER = 0.2
LEVELS = (0.02, 500.0, 60)  # of the variance of one level that are looked at


def judged(
    layout: Layout,
    hyper: Hyper,
    post: Posterior,
    *,
    ahead: bool = False,
    usual: Collection[str] = (),
    settled: Collection[str] = (),
) -> tuple[Layout, Array] | None:
    """The layout with every level as strange as its weights say, and what weights (p,) are to be
    multiplied by to mean the same; None where no level has moved by much.

    ``ahead``: what a press did need not be what it will do: over time its variance is that of the
    normal with the 90 % band of the t that its prints leave. So a model predicts; the search for
    the terms' own variances goes by the strangeness alone. ``usual``: levels that stay as usual,
    and what they were found to do is forgotten. ``settled``: levels as strange as they are.
    """
    sd = np.exp(hyper.block[layout.first_term :])
    variance, squared = post.variance, post.mean**2
    terms, factor, most = list(layout.terms), np.ones(layout.size), 0.0
    heavy = [(i, t.term) for i, t in enumerate(layout.terms) if t.term.tails and t.size]
    for law in dict.fromkeys(_law(t) for _, t in heavy):
        of = [i for i, t in heavy if _law(t) == law]
        n = len(terms[of[0]].level_names)
        held = np.isin(terms[of[0]].level_names, list(usual))
        moved, told = np.zeros(n), np.zeros(n)
        for i in of:
            own, each = layout.term_slices[i], (-1, n, terms[i].size // n)
            moved += squared[own].reshape(each).sum(axis=(0, 2)) / sd[i] ** 2
            known = 1 - variance[own] / sd[i] ** 2
            told += np.maximum(known, 0.0).reshape(each).sum(axis=(0, 2))
        for i in of:
            was, tails = terms[i].strange, layout.terms[i].term.tails
            assert tails is not None
            now = (tails + was * moved) / (tails + told)
            if ahead and terms[i].term.smooth:
                now = now * band_of(tails + told)
            now = np.where(np.isin(terms[i].level_names, list(settled)), was, now)
            now = np.where(held, 1.0, now)
            most = max(most, float(np.abs(np.log(now / was)).max()))
            scale = np.where(held & (was > 1), 0.0, np.sqrt(was / now)).repeat(terms[i].size // n)
            channels = 3 if terms[i].term.direction == "free" else 1
            factor[layout.term_slices[i]] = np.tile(scale, channels)
            terms[i] = replace(terms[i], strange=now)
    return (replace(layout, terms=terms), factor) if most > STRANGER else None


def other_inks(layout: Layout, hyper: Hyper) -> set[str]:
    """Lots so strange that they are none: another ink was printed, or written down."""
    sd, out = np.exp(hyper.block[layout.first_term :]), set()
    for i, fitted in enumerate(layout.terms):
        if fitted.term.levels == "lot" and fitted.term.direction == "strength":
            beyond = sd[i] * np.sqrt(fitted.strange) > LOT_MOST
            out |= {fitted.level_names[k] for k in np.flatnonzero(beyond)}
    return out


class Contradicted(NamedTuple):
    """A layout in which some inks may be off by more than others, and what goes with it."""

    layout: Layout
    hyper: Hyper
    factor: Array  # (p,) that weights are to be multiplied by to mean the same


def contradicted(
    layout: Layout, hyper: Hyper, post: Posterior, inks: Collection[str]
) -> Contradicted | None:
    """With what only ``inks`` themselves can tell - their K and S about the drawdowns, their film,
    soak, haze and all that is free by ink - as uncertain as their weights say; None where no ink
    has moved by much.

    A card may be of another batch, or the physics miss much on just this ink. Then it is off in
    everything at once, so that all of it has one variance in common, by the law of `judged`. It is
    never less than usual: an ink's first prints are few, and may agree by chance.
    """
    blocks = [Block(name, columns) for name, columns in layout.blocks]
    prior = column_variance(blocks, hyper.block, layout.size)
    known = np.maximum(1 - post.variance / prior, 0.0)
    terms, block, factor = list(layout.terms), hyper.block.copy(), np.ones(layout.size)
    directions = [layout.shelf.directions_k.copy(), layout.shelf.directions_s.copy()]
    moved = False
    for ink in inks:
        own = [
            (i, t.level_names.index(ink))
            for i, t in enumerate(terms)
            if t.term.levels == "ink" and ink in t.level_names
        ]
        if not own:
            continue
        at, was = layout.shelf.ink_ids.index(ink), float(terms[own[0][0]].strange[own[0][1]])
        drawdown, *bends = (_of_level(s, at, layout.n_inks, 1) for s in layout.slices[1:4])
        levels = [
            _of_level(
                layout.term_slices[i],
                k,
                len(terms[i].level_names),
                3 if terms[i].term.direction == "free" else 1,
            )
            for i, k in own
        ]
        of_ink = np.concatenate([drawdown, *bends, *levels])
        size = float((post.mean[of_ink] ** 2 / prior[of_ink]).sum())
        now = max(1.0, (INK_TAILS + was * size) / (INK_TAILS + float(known[of_ink].sum())))
        moved |= abs(np.log(now / was)) > STRANGER
        scale = np.sqrt(now / was)
        block[[2 + at, 2 + layout.n_inks + at]] += np.log(scale)
        factor[np.concatenate([drawdown, *levels])] = 1 / scale
        for each in directions:
            each[at, :POSTERIOR_DIRECTIONS] *= scale
        for i, k in own:
            strange = terms[i].strange.copy()
            strange[k] = now
            terms[i] = replace(terms[i], strange=strange)
    if not moved:
        return None
    shelf = replace(layout.shelf, directions_k=directions[0], directions_s=directions[1])
    return Contradicted(
        replace(layout, shelf=shelf, terms=terms), replace(hyper, block=block), factor
    )


def _of_level(columns: slice, level: int, levels: int, channels: int) -> NDArray[np.intp]:
    """The columns of one of so many levels, in each channel."""
    at = np.arange(columns.start, columns.stop).reshape(channels, levels, -1)
    return at[:, level].ravel()


def _law(term: Term) -> tuple[str | None, str]:
    """Terms whose levels are strange together: a batch off in strength may be off in hue. What a
    press does over time it does by one law or the other: each has its own."""
    return term.levels, term.name if term.smooth else ""


class OneLevel(NamedTuple):
    """What is believed of the latents of one level that no print tells of."""

    strange: float  # variance its prior is to have, as a multiple of the usual
    information: Array  # (k, k) and ``told`` (k,): with that prior, what is believed
    told: Array


def believed_of(information: Array, told: Array, usual: Array, tails: float) -> OneLevel:
    """A level by what was measured of it alone: ``information`` (k, k) of its latents, and what
    that ``told`` (k,).

    Its prior is a Student t of ``usual`` variance (k,): a normal of every variance there may be, by
    how likely each is beforehand and makes what was told. What is believed is the normal with the
    mean and the covariance of these together: far off it is followed, and no surer than that.
    """
    levels = np.geomspace(*LEVELS)
    prior = levels[:, None] * usual
    covariance = np.linalg.inv(information + np.eye(len(usual)) / prior[:, None, :])
    means = covariance @ told
    likely = -tails / 2 * (np.log(levels) + 1 / levels) + (means @ told) / 2
    likely += (np.linalg.slogdet(covariance)[1] - np.log(prior).sum(axis=1)) / 2
    weight = softmax(likely)
    mean = weight @ means
    apart = means - mean
    whole = np.einsum("s,sij->ij", weight, covariance) + (weight * apart.T) @ apart
    # so wide a prior that what is told beside it is half of what is believed where it tells least:
    # next to nothing, from hardly any prior at all, would be anything once that is another
    root = np.sqrt(usual)
    strange = 2.0 * float(np.linalg.eigvalsh(whole / np.outer(root, root))[-1])
    precision = np.linalg.inv(whole)
    return OneLevel(strange, precision - np.diag(1 / (strange * usual)), precision @ mean)


def rescaled(
    post: Posterior, layout: Layout, hyper: Hyper, factor: Array, now: Hyper | None = None
) -> Posterior:
    """A posterior of weights that are now to be multiplied by ``factor`` (p,): what was learnt
    stays, and the prior is that of the layout, with the variances of ``now`` if these differ."""
    blocks = [Block(name, columns) for name, columns in layout.blocks]
    prior, new = (
        1 / column_variance(blocks, one.block, layout.size) for one in (hyper, now or hyper)
    )
    told = post.precision - np.diag(prior)
    precision = told / factor[:, None] / factor + np.diag(new)
    projected = (post.precision @ post.mean) / factor
    root = np.linalg.cholesky(precision).T
    return Posterior(cho_solve((root, False), projected), root, post.log_evidence)
