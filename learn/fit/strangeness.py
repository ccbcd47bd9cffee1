"""How strange each level of a heavy-tailed term is: the batch of ink, the press unlike the others.

A Student t prior is a normal one whose variance differs from level to level. Given what a level
was found to do, its variance has a closed form, and the two are found in turn. That is expectation
maximisation (Liu & Rubin 1995, Statistica Sinica 5, 19) but for its pace: what the prints say
nothing about holds nothing back, for a level's weights count for as many as the prints determine
(MacKay 1992, Neural Computation 4, 415, from memory). Both end at the same place. Most levels stay
small, and the few that are not may be as large as their prints say.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from learn.fit.linearisation import Layout
from learn.gp.posterior import Block, Hyper, Posterior, column_variance
from learn.gp.terms import Term, band_of

Array = NDArray[np.floating]

# Levels are judged again while the variance of one still moves by this (log).
STRANGER = 0.2
ROUNDS = 30  # in which one level settles


def judged(
    layout: Layout, hyper: Hyper, post: Posterior, *, ahead: bool = False
) -> tuple[Layout, Array] | None:
    """The layout with every level as strange as its weights say, and what weights (p,) are to be
    multiplied by to mean the same; None where no level has moved by much.

    ``ahead``: what a press did need not be what it will do: over time its variance is that of the
    normal with the 90 % band of the t that its prints leave. So a model predicts; the search for
    the terms' own variances goes by the strangeness alone.
    """
    sd = np.exp(hyper.block[layout.first_term :])
    variance, squared = post.variance, post.mean**2
    terms, factor, most = list(layout.terms), np.ones(layout.size), 0.0
    heavy = [(i, t.term) for i, t in enumerate(layout.terms) if t.term.tails and t.size]
    for law in dict.fromkeys(_law(t) for _, t in heavy):
        of = [i for i, t in heavy if _law(t) == law]
        n = len(terms[of[0]].level_names)
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
            most = max(most, float(np.abs(np.log(now / was)).max()))
            scale = np.repeat(np.sqrt(was / now), terms[i].size // n)
            channels = 3 if terms[i].term.direction == "free" else 1
            factor[layout.term_slices[i]] = np.tile(scale, channels)
            terms[i] = replace(terms[i], strange=now)
    return (replace(layout, terms=terms), factor) if most > STRANGER else None


def _law(term: Term) -> tuple[str | None, str]:
    """Terms whose levels are strange together: a batch off in strength may be off in hue. What a
    press does over time it does by one law or the other: each has its own."""
    return term.levels, term.name if term.smooth else ""


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
