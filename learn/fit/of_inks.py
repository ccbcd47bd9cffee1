"""What follows from the K and S of inks, and how sure it is: by tangents, of all that was learnt or
of their cards alone."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from learn.colour.colorimetry import lab_from_reflectance
from learn.fit.linearisation import Layout
from learn.gp.posterior import Posterior
from learn.physics.print_model import bucket_reflectance
from learn.physics.shelf import POSTERIOR_DIRECTIONS

Array = NDArray[np.floating]
Index = NDArray[np.intp]
# Takes log K and log S of m inks, (m, 31) each, and answers (m, c) row by row.
Value = Callable[[Array, Array], Array]
Colours = tuple[Array, Array]  # Lab (m, 3) and covariance (m, 3, 3)

STEP = 1e-4  # along a direction of K and S, for tangents


def learnt(
    layout: Layout, at: Index, value: Value, w: Array, post: Posterior
) -> tuple[Array, Array]:
    """``value`` (m, c) of the inks ``at`` (m,), and its covariance (m, c, c)."""
    state = layout.state(w)
    here, jac = _along(layout, at, value, state.log_k[at], state.log_s[at])
    jac = np.concatenate([jac, jac[:, :, POSTERIOR_DIRECTIONS:]], axis=2)
    own = [np.arange(s.start, s.stop).reshape(layout.n_inks, -1) for s in layout.slices[1:4]]
    common = np.arange(layout.size)[layout.slices[4]]
    columns = np.hstack([*own, np.tile(common, (layout.n_inks, 1))])[at]
    covariance = np.array([post.covariance_of(of_ink) for of_ink in columns])
    return here, jac @ covariance @ jac.transpose(0, 2, 1)


def by_cards(layout: Layout, at: Index, value: Value) -> tuple[Array, Array]:
    """The same by what the cards of the inks say, whatever their prints do."""
    shelf = layout.shelf
    here, jac = _along(layout, at, value, shelf.log_k[at], shelf.log_s[at])
    jac = jac[:, :, :POSTERIOR_DIRECTIONS]
    return here, jac @ jac.transpose(0, 2, 1)


def in_bucket(layout: Layout, w: Array, post: Posterior) -> tuple[Colours, Colours]:
    """Lab (m, 3) of every ink at full hiding, and its covariance (m, 3, 3): by all that was learnt,
    and by its cards alone."""

    def lab_at(k: Array, s: Array) -> Array:
        return lab_from_reflectance(bucket_reflectance(k, s), layout.viewing)

    every = np.arange(layout.n_inks)
    return learnt(layout, every, lab_at, w, post), by_cards(layout, every, lab_at)


def _along(
    layout: Layout, at: Index, value: Value, log_k: Array, log_s: Array
) -> tuple[Array, Array]:
    """``value`` (m, c) of inks ``at`` (m,), and its tangents (m, c, q) by their directions."""
    here = value(log_k, log_s)
    k, s = layout.shelf.directions_k[at], layout.shelf.directions_s[at]
    moved = [
        value(log_k + STEP * k[:, i], log_s + STEP * s[:, i]) - here for i in range(k.shape[1])
    ]
    return here, np.stack(moved, axis=2) / STEP
