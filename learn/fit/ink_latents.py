"""What a model knows of one ink, in quantities that the model of another plant has too.

What its drawdowns say of an ink is told as the Lab of a few standard films over black and white:
of K and S these show what can be seen, and leave alone what cannot. How prints bend log K and log S
away from that is told along smooth shapes over the spectrum. Then come the terms of the residual
model that belong to the ink alone: its film, soak, haze, and what is free. By tangents all are
linear in the weights, so what another plant knows of an ink can be added to the precision.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky

from learn.colour.colorimetry import Viewing, lab_from_reflectance
from learn.fit.linearisation import Layout
from learn.gp.posterior import Hyper, Posterior
from learn.gp.terms import FittedTerm
from learn.physics.drawdowns import card_reflectance
from learn.physics.shelf import BEND_DIRECTIONS, POSTERIOR_DIRECTIONS

Array = NDArray[np.floating]
Index = NDArray[np.intp]

# The standard films: dry, over even backs of so much reflectance beneath the surface.
FILMS_UM, BACKS = (6.0, 15.0, 35.0), {"black": 0.03, "white": 0.85}
N_SHOWN = 3 * len(FILMS_UM) * len(BACKS)
BENDS = ("bend of log K", "bend of log S")
N_BENDS = len(BENDS) * BEND_DIRECTIONS
# What the directions that are kept of drawdowns do not carry, in Lab.
BESIDE_SD = 0.2
STEP = 1e-4


class InkLatents(NamedTuple):
    """J latents of one ink: ``origin + onto @ w[columns]``, and what lies ``beside``."""

    columns: Index  # (c,)
    onto: Array  # (J, c)
    origin: Array  # (J,)
    beside: Array  # (J,) variance
    prior: Array  # (J,) variance before any print; inf for what drawdowns say
    by_film: Array  # (J,) derivative by log film
    by_strength: Array  # (J,) and by log K

    def believed(self, post: Posterior) -> tuple[Array, Array]:
        """Mean (J,) and covariance (J, J)."""
        spread = self.onto @ post.covariance_of(self.columns) @ self.onto.T
        covariance = (spread + spread.T) / 2 + np.diag(self.beside)
        return self.origin + self.onto @ post.mean[self.columns], covariance


class ToldInk(NamedTuple):
    """What other plants say of an ink, by the weights of the model it is told to: the columns of
    its :class:`InkLatents`."""

    ink: str
    plants: tuple[tuple[str, int], ...]  # name, and prints of the ink there
    information: Array  # (c, c)
    told: Array  # (c,) information times the weights


def of_ink(layout: Layout) -> list[tuple[int, FittedTerm]]:
    """The terms that belong to an ink alone, and their positions."""
    return [
        (k, fitted)
        for k, fitted in enumerate(layout.terms)
        if fitted.term.levels == "ink" and not fitted.term.smooth
    ]


def names_of(layout: Layout) -> tuple[str, ...]:
    """What the latents of an ink are called."""
    names = [f"{um:g} um on {back}, {c}" for back in BACKS for um in FILMS_UM for c in "Lab"]
    names += [f"{name} {k + 1}" for name in BENDS for k in range(BEND_DIRECTIONS)]
    for _, fitted in of_ink(layout):
        name = fitted.term.name
        names += [f"{name}, {c}" for c in "Lab"] if fitted.term.direction == "free" else [name]
    return tuple(names)


def shown(log_k: Array, log_s: Array, viewing: Viewing) -> Array:
    """Lab (3 films,) of the standard films of an ink."""
    films = np.tile(FILMS_UM, len(BACKS))
    back = np.repeat(list(BACKS.values()), len(FILMS_UM))[:, None] * np.ones(len(log_k))
    r = card_reflectance(np.exp(log_k), np.exp(log_s), films, back)
    lab: Array = lab_from_reflectance(r, viewing).ravel()
    return lab


def columns_of(layout: Layout, ink: str) -> Index:
    """The weights that the latents of an ink depend on: what its drawdowns leave open, its bends,
    the common bends, its levels of terms."""
    i, b, n = layout.shelf.ink_ids.index(ink), BEND_DIRECTIONS, POSTERIOR_DIRECTIONS
    drawdown, bend_k, bend_s, common = (s.start for s in layout.slices[1:5])
    columns = [
        drawdown + i * n + np.arange(n),
        bend_k + i * b + np.arange(b),
        bend_s + i * b + np.arange(b),
        common + np.arange(2 * b),
    ]
    for k, fitted in of_ink(layout):
        if ink in fitted.level_names:
            first = layout.term_slices[k].start + fitted.level_names.index(ink)
            columns.append(first + fitted.size * np.arange(_channels(fitted)))
    return np.concatenate(columns).astype(np.intp)


def latents_of(layout: Layout, hyper: Hyper, ink: str, w: Array) -> InkLatents:
    """The latents of an ink of the shelf, by tangents at the weights ``w`` (p,); those the model
    has no weight for lie beside."""
    i, columns = layout.shelf.ink_ids.index(ink), columns_of(layout, ink)
    of_terms = of_ink(layout)
    there = [ink in fitted.level_names for _, fitted in of_terms for _ in range(_channels(fitted))]
    variance = np.exp(2 * hyper.block)
    sd2 = [variance[layout.first_term + k] for k, t in of_terms for _ in range(_channels(t))]
    bends = np.repeat([variance[2 + i], variance[2 + layout.n_inks + i]], BEND_DIRECTIONS)
    films, by_film, by_strength, origin = _films(layout, i, w[columns[:POSTERIOR_DIRECTIONS]])

    J, at, n = N_SHOWN + N_BENDS + len(there), N_SHOWN, POSTERIOR_DIRECTIONS
    onto = np.zeros((J, len(columns)))
    onto[:at, :n] = films
    for _ in range(2):  # the ink's own, and common to all
        onto[at : at + N_BENDS, n : n + N_BENDS] = np.eye(N_BENDS)
        n += N_BENDS
    told = at + N_BENDS + np.flatnonzero(there)
    onto[told, n + np.arange(len(told))] = 1.0
    rest = np.zeros(J - at)
    return InkLatents(
        columns,
        onto,
        np.append(origin, rest),
        np.concatenate([np.full(at, BESIDE_SD**2), np.zeros(N_BENDS), np.where(there, 0.0, sd2)]),
        np.concatenate([np.full(at, np.inf), bends + variance[layout.first_term - 1], sd2]),
        np.append(by_film, rest),
        np.append(by_strength, rest),
    )


def _films(layout: Layout, i: int, a: Array) -> tuple[Array, Array, Array, Array]:
    """Tangents of the standard films of the ink ``i`` at its weights ``a`` (8,): by these, by log
    film, by log K, and where the tangents meet zero weights."""
    shelf, n = layout.shelf, len(a)
    along_k, along_s = shelf.directions_k[i, :n], shelf.directions_s[i, :n]
    log_k, log_s = shelf.log_k[i] + a @ along_k, shelf.log_s[i] + a @ along_s
    here = shown(log_k, log_s, layout.viewing)

    def by(k: Array | float, s: Array | float) -> Array:
        return (shown(log_k + STEP * k, log_s + STEP * s, layout.viewing) - here) / STEP

    films = np.column_stack([by(k, s) for k, s in zip(along_k, along_s, strict=True)])
    return films, by(1.0, 1.0), by(1.0, 0.0), here - films @ a


def _channels(fitted: FittedTerm) -> int:
    return 3 if fitted.term.direction == "free" else 1


def widened(information: Array, told: Array, variance: Array) -> tuple[Array, Array]:
    """What is said of something that differs from what was meant by a ``variance`` (J, J)."""
    loose = np.eye(len(told)) + information @ variance
    found = np.linalg.solve(loose, np.column_stack([information, told]))
    narrow = found[:, :-1]
    return (narrow + narrow.T) / 2, found[:, -1]


def with_told(
    post: Posterior,
    layout: Layout,
    inks: Collection[ToldInk],
    *,
    taken_back: bool = False,
) -> Posterior:
    """``post`` with what other plants say of inks whose weights it has, or without it again."""
    inks = [one for one in inks if one.information.any() and one.ink in layout.shelf.ink_ids]
    if not inks:
        return post
    sign = -1.0 if taken_back else 1.0
    precision, projected = post.precision.copy(), post.precision @ post.mean
    for one in inks:
        where = columns_of(layout, one.ink)
        precision[np.ix_(where, where)] += sign * one.information
        projected[where] += sign * one.told
    root = cholesky((precision + precision.T) / 2, lower=False, check_finite=False)
    return Posterior(cho_solve((root, False), projected), root, post.log_evidence)
