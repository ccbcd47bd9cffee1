"""How strange each level of a heavy-tailed term is: the batch of ink, the press unlike the others.

A Student t prior is a normal one whose variance differs from level to level. Given what a level
was found to do, its variance has a closed form, and the two are found in turn: expectation
maximisation (Liu & Rubin 1995, Statistica Sinica 5, 19). Most levels stay small, and the few that
are not may be as large as their prints say.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from learn.fit.linearisation import Layout
from learn.gp.posterior import Block, Hyper, Posterior, column_variance

Array = NDArray[np.floating]

# Levels are judged again while the variance of one still moves by this (log).
STRANGER = 0.2
ROUNDS = 30  # in which one level settles


def judged(layout: Layout, hyper: Hyper, post: Posterior) -> tuple[Layout, Array] | None:
    """The layout with every level as strange as its weights say, and what weights (p,) are to be
    multiplied by to mean the same; None where no level has moved by much."""
    second = post.variance + post.mean**2
    sd = np.exp(hyper.block[layout.first_term :])
    terms, factor, moved = list(layout.terms), np.ones(layout.size), 0.0
    heavy = [(i, t.term) for i, t in enumerate(layout.terms) if t.term.tails and t.size]
    for alike in {(t.levels, t.smooth != ()) for _, t in heavy}:
        of = [i for i, t in heavy if (t.levels, t.smooth != ()) == alike]
        n = len(terms[of[0]].level_names)
        squares, degrees = np.zeros(n), 0
        for i in of:
            own = second[layout.term_slices[i]].reshape(-1, n, terms[i].size // n)
            squares += own.sum(axis=(0, 2)) / sd[i] ** 2
            degrees += own.shape[0] * own.shape[2]
        for i in of:
            was, tails = terms[i].strange, layout.terms[i].term.tails
            assert tails is not None
            now = (tails + was * squares) / (tails + degrees)
            moved = max(moved, float(np.abs(np.log(now / was)).max()))
            each = np.repeat(np.sqrt(was / now), terms[i].size // n)
            channels = 3 if terms[i].term.direction == "free" else 1
            factor[layout.term_slices[i]] = np.tile(each, channels)
            terms[i] = replace(terms[i], strange=now)
    return (replace(layout, terms=terms), factor) if moved > STRANGER else None


def strangeness_of(information: Array, told: Array, usual: Array, tails: float | None) -> float:
    """The variance of one level, as a multiple of the ``usual`` (k,), by ``information`` (k, k) of
    its latents and what it ``told`` (k,); as usual without ``tails``."""
    strange = 1.0
    if tails is None:
        return strange
    for _ in range(ROUNDS):
        covariance = np.linalg.inv(information + np.diag(1 / (strange * usual)))
        second = np.diag(covariance) + (covariance @ told) ** 2
        strange = (tails + float((second / usual).sum())) / (tails + len(usual))
    return strange


def rescaled(post: Posterior, layout: Layout, hyper: Hyper, factor: Array) -> Posterior:
    """A posterior of weights that are now to be multiplied by ``factor`` (p,): what was learnt
    stays, and the prior is that of the layout."""
    blocks = [Block(name, columns) for name, columns in layout.blocks()]
    prior = 1 / column_variance(blocks, hyper.block, layout.size)
    told = post.precision - np.diag(prior)
    precision = told / factor[:, None] / factor + np.diag(prior)
    projected = (post.precision @ post.mean) / factor
    root = np.linalg.cholesky(precision).T
    return Posterior(
        np.linalg.solve(root, np.linalg.solve(root.T, projected)), root, post.log_evidence
    )
