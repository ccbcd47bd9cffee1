"""A precision of weights that meet in few places, solved part by part.

A part of Phi (an ink) has weights that no other part uses - its bends, its lots, its own
ground - and weights it shares with others. With the local ones first, the precision of all
weights has the shape of an arrow: a block a part down the diagonal, the shared weights as its
head. Eliminating the local weights leaves a system of the shared ones alone (the Schur
complement: Golub & Van Loan 2013, Matrix Computations, section 3.2.11), a few hundred of some
thousand; and of the inverse only what a part needs is ever written out. Weights of which no part
tells anything stand at their prior: those it does not use, and local ones that act on none of its
prints.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.linalg.lapack import dpotri, dtrtri

from learn.gp.design_matrix import Phi, add_to_block, among, block

Array = NDArray[np.floating]
Index = NDArray[np.intp]

MIRRORED = 128  # rows of a triangle mirrored at a time
# Beyond so many weights that meet no other (a shelf of inks never printed brings ten each), it pays
# to leave them out; with fewer all are kept, so that no last digit depends on it.
FREE = 500


class Shaft(NamedTuple):
    """What one part adds to the arrow: l local weights, which meet h shared ones."""

    local: Index  # (l,) the local ones among the columns of the part
    shared: Index  # (h,) the shared ones among them
    untold: Index  # the others: no other part uses them, and this one tells nothing of them
    weights: Index  # (l,) the local ones among all weights
    head: Index  # (h,) the shared ones among the shared
    prior: Array  # precision of the untold ones
    root: Array  # (l, l) upper: the precision of the local ones is root' root
    inverse: Array  # (l, l) of the root
    across: Array  # (l, h) inverse' times the precision between local and shared
    gain: Array  # (l, h) inverse times across: the local ones follow the shared by its negative


@dataclass(frozen=True)
class Arrow:
    """The precision of p weights, eliminated."""

    prior: Array  # (p,) precision of each weight before anything was learnt
    shared: Index  # (s,) the weights that several parts use
    idle: Index  # weights of which none tells anything
    shafts: list[Shaft]
    root: Array  # (s, s) upper, of the precision of the shared weights alone

    @classmethod
    def of(cls, prior: Array, columns: Sequence[Index], told: Iterable[Array]) -> Arrow:
        """From the ``prior`` precision (p,), and of every part the weights it depends on (k,),
        ascending, and what it tells of them (k, k).

        Raises
        ------
        numpy.linalg.LinAlgError
            when the precision is not positive definite.
        """
        used = np.bincount(np.concatenate([np.zeros(0, int), *columns]), minlength=len(prior))
        shared = np.flatnonzero(used > 1)
        number = np.empty(len(prior), int)
        number[shared] = np.arange(len(shared))
        head = np.diag(prior[shared])
        shafts, idle = [], [np.flatnonzero(used == 0)]
        for own, values in zip(columns, told, strict=True):
            shaft = _eliminated(values, used[own] == 1, own, number, prior)
            left = block(values, shaft.shared) - shaft.across.T @ shaft.across
            idle.append(own[shaft.untold])
            head += among(left, shaft.head, len(shared))
            shafts.append(shaft)
        root = cholesky(head.T, lower=False, overwrite_a=True, check_finite=False)
        return cls(prior, shared, np.concatenate(idle), shafts, root)

    def less(self, told: Mapping[int, Array]) -> Arrow:
        """Once some of the parts tell so much (k, k) less of their weights."""
        head, shafts = self.root.T @ self.root, list(self.shafts)
        for part, values in told.items():
            s = shafts[part]
            within = s.root.T @ s.root - block(values, s.local)
            between = s.root.T @ s.across - values[s.local[:, None], s.shared]
            root, inverse, across, gain = _roots(within, between)
            shafts[part] = s._replace(root=root, inverse=inverse, across=across, gain=gain)
            gone = block(values, s.shared) + across.T @ across - s.across.T @ s.across
            head -= among(gone, s.head, len(self.shared))
        root = cholesky(head.T, lower=False, overwrite_a=True, check_finite=False)
        return Arrow(self.prior, self.shared, self.idle, shafts, root)

    @property
    def log_det(self) -> float:
        """Of the precision."""
        diagonals = [np.diag(root) for root in (self.root, *(s.root for s in self.shafts))]
        roots = np.log(np.concatenate(diagonals)).sum()
        return float(2 * roots + np.log(self.prior[self.idle]).sum())

    @cached_property
    def head(self) -> Array:
        """Covariance of the shared weights, (s, s)."""
        return inverse_of(self.root)

    def solve(self, values: Array) -> Array:
        """Covariance times ``values`` (p,) or (p, m)."""
        out = (values.T / self.prior).T
        head = values[self.shared]
        for s in self.shafts:
            head[s.head] -= s.gain.T @ values[s.weights]
        head = cho_solve((self.root, False), head, overwrite_b=True, check_finite=False)
        out[self.shared] = head
        for s in self.shafts:
            alone = s.inverse @ (values[s.weights].T @ s.inverse).T
            out[s.weights] = alone - s.gain @ head[s.head]
        return out

    def times(self, values: Array, part: int) -> Array:
        """``values`` (m, k) times the covariance of the weights of a part."""
        s, out = self.shafts[part], np.empty_like(values)
        own = values[:, s.local]
        head = (values[:, s.shared] - own @ s.gain) @ block(self.head, s.head)
        out[:, s.shared] = head
        out[:, s.local] = own @ s.inverse @ s.inverse.T - head @ s.gain.T
        out[:, s.untold] = values[:, s.untold] / s.prior
        return out

    @cached_property
    def owner(self) -> Index:
        """Of each weight the part of which it is a local one, (p,); -1 where it is none."""
        out = np.full(len(self.prior), -1)
        for part, s in enumerate(self.shafts):
            out[s.weights] = part
        return out

    def half(self, phi: Phi) -> Array:
        """(n, 3, q) whose rows have the products of Phi C Phi'. Prints of a part meet the local
        weights of that part alone: the rest of their way is as long as the shared ones."""
        used = np.unique(np.concatenate([self.shared, *(part.columns for part in phi.parts)]))
        met = {part: self.shafts[part] for part in set(self.owner[used]) - {-1}}
        at = np.unique(np.concatenate([used, *(s.weights for s in met.values())]))
        place, q, h = np.zeros(len(self.prior), int), len(at), len(self.shared)
        place[at] = np.arange(q)
        shared, root_prior = place[self.shared], np.sqrt(self.prior[at])
        out, head = np.zeros((phi.n, 3, q)), np.zeros((phi.n, 3, h))
        for rows, columns, values in phi.parts:
            told = np.zeros((len(rows), 3, q))
            told[:, :, place[columns]] = values
            left, half = told[:, :, shared], told / root_prior
            for s in (met[part] for part in set(self.owner[columns]) - {-1}):
                own = told[:, :, place[s.weights]] @ s.inverse
                left[:, :, s.head] -= own @ s.across
                half[:, :, place[s.weights]] = own
            head[rows], out[rows] = left, half
        flat = head.reshape(3 * phi.n, h)
        flat = solve_triangular(self.root, flat.T, trans=1, check_finite=False).T
        out[:, :, shared] = flat.reshape(phi.n, 3, h)
        return out

    def variance(self) -> Array:
        """Of every weight, (p,): the diagonal of the covariance."""
        out = 1 / self.prior
        out[self.shared] = np.diag(self.head)
        for s in self.shafts:
            alone = (s.inverse * s.inverse).sum(axis=1)
            out[s.weights] = alone + ((s.gain @ block(self.head, s.head)) * s.gain).sum(axis=1)
        return out

    def precision(self) -> Array:
        """(p, p), written out."""
        out, head = np.diag(self.prior), self.root.T @ self.root
        for s in self.shafts:
            add_to_block(head, s.head, s.across.T @ s.across)
            out[s.weights[:, None], s.weights] = s.root.T @ s.root
            between, others = s.root.T @ s.across, self.shared[s.head]
            out[s.weights[:, None], others] = between
            out[others[:, None], s.weights] = between.T
        out[self.shared[:, None], self.shared] = head
        return out


def root_of(precision: Array) -> Array:
    """(p, p) upper triangle, precision = root' root; what it was is written over."""
    tied = _tied(precision)
    if len(precision) - len(tied) > FREE:
        out = np.diag(np.diag(precision) ** 0.5)
        out[tied[:, None], tied] = root_of(block(precision, tied))
        return out
    return cholesky(precision.T, lower=False, overwrite_a=True, check_finite=False)


def inverse_of(root: Array) -> Array:
    """(p, p) of ``root' root``, for an upper triangle ``root``."""
    if not len(root):  # LAPACK would complain of it on the screen
        return np.zeros_like(root)
    tied = _tied(root)
    if len(root) - len(tied) > FREE:
        out = np.diag(1 / np.diag(root) ** 2)
        out[tied[:, None], tied] = inverse_of(block(root, tied))
        return out
    upper, _ = dpotri(root, lower=0)
    whole, p = upper.T, len(upper)  # in the order of rows, half filled
    for a in range(0, p, MIRRORED):
        b = min(a + MIRRORED, p)
        own = whole[a:b, a:b]
        own[:] = np.tril(own) + np.tril(own, -1).T
        whole[a:b, b:] = whole[b:, a:b].T
    return whole


def _tied(triangle: Array) -> Index:
    """The rows and columns that hold more than their place on the diagonal."""
    beside = np.count_nonzero(triangle, axis=0) + np.count_nonzero(triangle, axis=1) > 2
    return np.flatnonzero(beside)


def _eliminated(
    told: Array, mine: NDArray[np.bool_], own: Index, number: Index, prior: Array
) -> Shaft:
    """Of a part with the weights ``own``, which no other part uses where they are ``mine``."""
    says = np.diagonal(told) != 0
    local, shared = np.flatnonzero(mine & says), np.flatnonzero(~mine)
    untold, weights = np.flatnonzero(mine & ~says), own[local]
    within = block(told, local)
    within.reshape(-1)[:: len(local) + 1] += prior[weights]
    places = local, shared, untold, weights, number[own[shared]], prior[own[untold]]
    return Shaft(*places, *_roots(within, told[local[:, None], shared]))


def _roots(within: Array, between: Array) -> tuple[Array, Array, Array, Array]:
    """Root, inverse, across and gain of a :class:`Shaft`: the precision of its local weights
    (l, l), and that ``between`` them and the shared ones (l, h)."""
    root = cholesky(within.T, lower=False, check_finite=False)
    inverse = dtrtri(root)[0] if len(root) else root  # LAPACK would complain of none
    across = inverse.T @ between
    return root, inverse, across, inverse @ across
