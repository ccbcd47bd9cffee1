"""Hyper-parameters: the most probable ones given all prints, and how well they were found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.fit.linearisation import LOG_LENGTH_SPREAD, Layout, Linear, contract_term, fill_term
from learn.gp import posterior
from learn.gp.posterior import Design, Hyper
from learn.workers import at_work

Array = NDArray[np.floating]
Objective = Callable[[Array], tuple[float, Array]]

# How far a restart begins from the prior medians, in prior standard deviations.
RESTART_SPREAD = 1.0
# A search has converged when no log hyper-parameter promises more than this a unit.
STEEPEST = 0.03
# Step in log length for the slope of features, which have no simple closed one.
LENGTH_STEP = 1e-4


class Found(NamedTuple):
    """Where a search ended."""

    at: Array
    log_posterior: float  # up to the constants of the prior
    converged: bool
    steepest: float  # largest slope left, by log hyper-parameter
    evaluations: int

    def report(self) -> dict[str, float | bool]:
        """Everything but the place, as JSON holds it."""
        return {k: v for k, v in self._asdict().items() if k != "at"}


def maximise(
    objective: Objective,
    start: Array,
    prior_median: Array,
    prior_spread: Array,
    max_iterations: int,
) -> Found:
    """MAP of hyper-parameters on the log scale under independent log-normal priors.

    ``objective`` returns log evidence and gradient; a spread of 0 holds a parameter at
    its start.
    """
    free = prior_spread > 0
    x = start.copy()

    def negative(z: Array) -> tuple[float, Array]:
        x[free] = z
        value, gradient = objective(x)
        away = (z - prior_median[free]) / prior_spread[free]
        return (
            -(value - 0.5 * float(away @ away)),
            -(gradient[free] - away / prior_spread[free]),
        )

    from scipy.optimize import minimize  # slow to import, and only a full fit needs it

    found = minimize(
        negative,
        start[free],
        jac=True,
        method="L-BFGS-B",
        bounds=[
            (m - 4 * s, m + 4 * s)
            for m, s in zip(prior_median[free], prior_spread[free], strict=True)
        ],
        options={"maxiter": max_iterations, "ftol": 1e-9, "gtol": STEEPEST},
    )
    x[free] = found.x
    steepest = float(np.abs(found.jac).max(initial=0.0))
    return Found(x, -float(found.fun), bool(found.success), steepest, int(found.nfev))


def evidence_by(layout: Layout, linear: Linear, design: Design, hyper: Hyper) -> Objective:
    """Log evidence and gradient as a function of one vector: log sds, then log lengths.

    The physics stays linearised where it is; only features, remainders and variances move, in a
    copy of ``design``.
    """
    n_sd, first, X = len(hyper.vector()), layout.first_term, linear.rows.X
    design = design.copy()
    smooth = [i for i, term in enumerate(layout.terms) if term.term.lengths and term.size]
    seen = {i: layout.terms[i].seen(X) for i in smooth}

    def features(i: int, log_lengths: Array) -> tuple[Array, Array]:
        return layout.terms[i].features_at(seen[i], log_lengths)

    def objective(x: Array) -> tuple[float, Array]:
        at, lengths = hyper.of(x[:n_sd]), layout.lengths_of(x[n_sd:])

        def fill(i: int) -> tuple[Array, Array]:
            """Features and remainder of term ``i``, written into the design as well."""
            psi, rest = features(i, lengths[i])
            for place, part in zip(linear.places, design.phi.parts, strict=True):
                fill_term(part.matrix, place, i, layout.terms[i], psi, linear.vectors)
            design.blocks[first + i] = replace(design.blocks[first + i], remainder=rest)
            return psi, rest

        here = {i: fill(i) for i in smooth}
        value, g = posterior.evidence(design, at)

        def by_lengths(i: int) -> Array:
            psi, rest = here[i]
            by_rest = np.exp(2 * at.block[first + i])
            by_rest = by_rest * g.along[:, design.blocks[first + i].direction]
            by_psi = np.zeros_like(psi)
            for place, by_phi in zip(linear.places, g.phi, strict=True):
                by = contract_term(by_phi, place, i, layout.terms[i], linear.vectors)
                by_psi[place.rows[:, None], place.used[i]] = by
            slopes = np.zeros(len(lengths[i]))
            for k in range(len(slopes)):
                moved = lengths[i].copy()
                moved[k] += LENGTH_STEP
                psi2, rest2 = features(i, moved)
                d_psi, d_rest = (psi2 - psi) / LENGTH_STEP, (rest2 - rest) / LENGTH_STEP
                slopes[k] = by_rest @ d_rest + (by_psi * d_psi).sum()
            return slopes

        slopes = {i: by_lengths(i) for i in smooth}
        by_length = [slopes.get(i, np.zeros(len(v))) for i, v in enumerate(lengths)]
        return value, np.concatenate([g.block, g.noise, g.job, *by_length])

    return objective


def most_probable(
    objective: Callable[[], Objective],
    now: tuple[Hyper, Array],
    medians: tuple[Hyper, Array],
    spreads: Hyper,
    iterations: int,
    restarts: int = 0,
    random_state: int = 0,
) -> tuple[Hyper, Array, list[Found]]:
    """Hyper-parameters and log lengths, from where they are and from ``restarts`` other
    places drawn from the prior; the best wins. Also how every search ended, best first.

    ``objective`` makes a new one for each search: the searches may go on at once, each in a
    process of its own.
    """
    hyper, log_lengths = now
    n_sd = len(hyper.vector())
    median = np.concatenate([medians[0].vector(), medians[1]])
    spread = np.concatenate([spreads.vector(), np.full(len(log_lengths), LOG_LENGTH_SPREAD)])
    starts = [np.concatenate([hyper.vector(), log_lengths])]
    rng = np.random.default_rng(random_state)
    for _ in range(restarts):
        drawn = median + RESTART_SPREAD * spread * rng.standard_normal(len(median))
        starts.append(np.where(spread > 0, drawn, starts[0]))
    found = at_work(partial(_search, objective, median, spread, iterations), starts)
    found.sort(key=lambda f: -f.log_posterior)
    best = found[0].at
    return hyper.of(best[:n_sd]), best[n_sd:], found


def _search(
    objective: Callable[[], Objective], median: Array, spread: Array, iterations: int, start: Array
) -> Found:
    return maximise(objective(), start, median, spread, iterations)
