"""An ink never printed: how much of what other inks taught carries over to it.

It can be predicted by all that was learnt, or by the physics alone, calibrated to the same
prints. Where what was learnt of other inks is true of the press or the cloth the first is nearer,
where it made up for what the physics misses on just those inks the second. The prediction lies
between the two (stacking: Wolpert 1992, Neural Networks 5, 241-259; its weight by least squares
of left-out errors: Breiman 1996, Machine Learning 24, 49-64; both from memory). An ink that has
been printed is predicted by all that was learnt.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.colour.difference import local_metric
from learn.fit.linearisation import Layout, Linear, Rows
from learn.physics import print_model
from learn.physics.print_model import CONSTANT_MEAN, Stack, State

if TYPE_CHECKING:
    from learn.predict.calibration import LeftOut
    from learn.predict.model import ShiftModel

Array = NDArray[np.floating]

# The share expected of a shop before its own inks have their say is half where so many inks taught
# it, less where fewer did: what two inks have in common may be theirs alone. Its own share lies
# about that far from the expected one.
HALF_AT_INKS, EXPECTED_SD = 8, 0.4
ROUNDS = 3


class Carried(NamedTuple):
    """n set-ups as predicted with what carries over."""

    mean: Array  # (n, 3) Lab
    unsure: Array  # (n, 3) one sd of which of the two is right; an ink errs alike on all its prints


@dataclass(frozen=True)
class Carrying:
    """How an ink never printed is predicted."""

    share: float  # of the way from the physics alone to all that was learnt, 0 to 1
    constants: Array  # (n_constants,) of the physics alone

    @classmethod
    def whole(cls) -> Carrying:
        """All that was learnt carries over: nothing to choose between."""
        return cls(1.0, CONSTANT_MEAN)

    def physics(self, layout: Layout, stack: Stack) -> Array:
        """Lab (n, 3) by the physics alone."""
        state = State(self.constants, layout.shelf.log_k, layout.shelf.log_s)
        shifts = print_model.no_shift(len(stack))
        return print_model.lab(stack, state, shifts, layout.viewing)

    def off(
        self, model: ShiftModel, rows: Rows, learnt: Array, printed: Collection[str] = ()
    ) -> Array:
        """From what was ``learnt`` (n, 3) to the physics alone, in Lab; zero for inks printed,
        by now or as told."""
        out = np.zeros_like(learnt)
        new = (model.likeness_.seen(rows.X, "ink") == 0) & (shares(model, rows) < 1)
        new &= ~rows.X["ink"].isin(list(printed)).to_numpy()
        if new.any():
            out[new] = self.physics(model.layout_, rows.stack.take(new)) - learnt[new]
        return out


def shares(model: ShiftModel, rows: Rows) -> Array:
    """How far all that was learnt carries over to the ink of each set-up, were it never printed,
    (n,); to one that other plants told of further than to others."""
    told = rows.X["ink"].isin(model.likeness_.told).to_numpy()
    return np.where(told, model.sisters_.share, model.carrying_.share)


def carried(model: ShiftModel, rows: Rows, learnt: Array, printed: Collection[str] = ()) -> Carried:
    """Set-ups that all that was learnt predicts as ``learnt`` (n, 3); inks ``printed`` besides
    are taken as those that have been."""
    share = shares(model, rows)[:, None]
    off = model.carrying_.off(model, rows, learnt, printed)
    return Carried(learnt + (1 - share) * off, np.sqrt(share * (1 - share)) * off)


def by_tangents(model: ShiftModel, linear: Linear, printed: Collection[str] = ()) -> Carried:
    """The same of linearised set-ups."""
    free = ~model.layout_.physical
    learnt = linear.lab + linear.phi @ np.where(free, model.weights_, 0)
    return carried(model, linear.rows, learnt, printed)


def stacked(left: LeftOut, alone: Array, measured: Array) -> tuple[LeftOut, float]:
    """What is left out ink by ink as the two predictions together have it; and their share.

    Each ink is predicted by the share that all others ask for.

    Parameters
    ----------
    left : by all that was learnt; its groups are inks
    alone : (n, 3) errors of the physics alone, without the ink too
    measured : (n, 3) Lab
    """
    at = np.flatnonzero(left.group >= 0)
    off = left.error[at] - alone[at]  # from what was learnt to the physics alone
    metric = local_metric(measured[at])

    def by_ink(a: Array, b: Array) -> Array:
        per_print = np.einsum("ni,nij,nj->n", a, metric, b)
        group = left.group[at]
        return np.bincount(group, per_print) / np.maximum(np.bincount(group), 1)

    of_alone, of_learnt = by_ink(alone[at], alone[at]), by_ink(left.error[at], left.error[at])
    # relative to its size: no ink that both miss by far decides for all
    size = np.maximum(of_alone + of_learnt, 1e-9)
    apart, agreed = by_ink(off, off) / size, -by_ink(off, alone[at]) / size
    sums = np.array([apart, agreed, of_alone / size])
    n = len(size)
    share = _share(sums.sum(axis=1), n)
    without = _share(sums.sum(axis=1, keepdims=True) - sums, n - 1)[left.group[at], None]
    error, covariance = left.error.copy(), left.covariance.copy()
    error[at] -= (1 - without) * off
    unsure = np.sqrt(without * (1 - without)) * off
    covariance[at] += unsure[:, :, None] * unsure[:, None, :]
    return left._replace(error=error, covariance=covariance), float(share)


def _share(sums: Array, inks: int) -> Array:
    """The share that makes the errors of ``inks`` inks least, drawn towards what is expected.

    ``sums`` (3, ...) over inks: squared distance of the two predictions; what the physics alone
    is off along it; squared error of the physics alone.
    """
    apart, agreed, alone = sums
    expected = inks / (inks + HALF_AT_INKS)
    share = np.full_like(alone, expected)
    for _ in range(ROUNDS):  # the better the share, the less scatter it leaves, the surer it is
        scatter = (alone - 2 * share * agreed + share**2 * apart) / max(inks, 1)
        prior = np.maximum(scatter, 1e-9) / EXPECTED_SD**2
        share = np.clip((agreed + prior * expected) / (apart + prior), 0.0, 1.0)
    return share
