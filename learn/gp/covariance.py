"""What several prints have in common, and what one of them then tells of the others.

Prints err together by the weights they share, by what a term's features do not carry where it
is the same thing that is not known, and by the film error of one job. Only the scatter from print
to print and the instrument are each print's own.

Covariances are over prints and channels at once, (3 n, 3 n), prints slowest; or, where ``group``
prints at a time are asked about, (n / group, 3 group, 3 group), without those between groups.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular

from learn.gp.design_matrix import Phi
from learn.gp.posterior import (
    Design,
    Hyper,
    Posterior,
    column_variance,
    posterior,
    scaled_noise,
)

Array = NDArray[np.floating]


class Belief(NamedTuple):
    """What is believed of n set-ups together."""

    mean: Array  # (n, 3)
    unknown: Array  # (n, 3, n, 3) covariance that prints could remove
    scatter: Array  # (n, 3, 3) of one print: job, press, instrument

    def of(self, at: NDArray[np.intp] | NDArray[np.bool_]) -> Belief:
        """The belief of some of the set-ups alone."""
        return Belief(self.mean[at], self.unknown[at][:, :, at], self.scatter[at])

    def own(self, at: NDArray[np.intp] | None = None) -> Array:
        """What is not known of each set-up by itself, (n, 3, 3)."""
        at = np.arange(len(self.mean)) if at is None else at
        return self.unknown[at, :, at, :]

    def widened(self, spread: Array) -> Belief:
        """With standard deviations ``spread`` (n,) times as wide."""
        unknown = self.unknown * spread[:, None, None, None] * spread[None, None, :, None]
        return Belief(self.mean, unknown, self.scatter * (spread**2)[:, None, None])

    def after(self, t: int, reading: Array) -> Belief:
        """The belief once set-up ``t`` has been printed and read as ``reading`` (3,)."""
        seen = self.unknown[:, :, t, :]
        total = self.unknown[t, :, t, :] + self.scatter[t]
        gain = np.linalg.solve(total, seen.transpose(0, 2, 1)).transpose(0, 2, 1)
        mean = self.mean + gain @ (reading - self.mean[t])
        removed = gain.reshape(-1, 3) @ seen.reshape(-1, 3).T
        return Belief(mean, self.unknown - removed.reshape(self.unknown.shape), self.scatter)


class Rest(NamedTuple):
    """What the features of one term do not carry of n prints."""

    direction: int  # among the directions of a `Design`; one more than these: free in Lab
    sd: Array  # (n,)
    alike: Array | None = None  # (n, n) or (group, group): share in common; None: all of it


def by_weights(phi: Phi, post: Posterior, group: int | None = None) -> Array:
    """Phi_i C Phi_j' of the weights' covariance C."""
    half = post.half(phi)
    if group is None:
        flat = half.reshape(3 * phi.n, half.shape[2])
        return flat @ flat.T
    half = half.reshape(-1, 3 * group, half.shape[2])
    return half @ half.transpose(0, 2, 1)


def by_prior(phi: Phi, variance: Array) -> Array:
    """Phi_i Lambda Phi_j' of weights nothing is known of but their ``variance`` (p,)."""
    half = (phi.dense().reshape(-1, phi.p) * np.sqrt(variance)).T
    return half.T @ half


def by_rests(directions: Array, rests: Iterable[Rest], group: int | None = None) -> Array:
    """What the terms do not carry, for ``directions`` (n, d, 3) of the prints."""
    n = len(directions)
    size = 3 * (group or n)
    total = np.zeros((size, size) if group is None else (n // group, size, size))
    for rest in rests:
        if rest.sd.any():
            vectors = along(directions, rest.direction) * rest.sd[:, None, None]
            total += in_common(vectors, rest.alike, group)
    return total


def by_jobs(
    job_directions: Array, hyper: Hyper, alike: Array | None = None, group: int | None = None
) -> Array:
    """The film error of one job: of all the prints, or of those ``alike``."""
    vectors = job_directions * np.exp(hyper.job)[:, None]
    return in_common(vectors.transpose(0, 2, 1), alike, group)


def along(directions: Array, direction: int) -> Array:
    """Lab along a direction, (n, 3, k): one vector, or all three axes where it is free."""
    n, d = directions.shape[:2]
    if direction == d:
        return np.broadcast_to(np.eye(3), (n, 3, 3))
    return directions[:, direction, :, None]


def in_common(vectors: Array, alike: Array | None = None, group: int | None = None) -> Array:
    """Covariance of one unit-normal cause a column of ``vectors`` (n, 3, k), shared as ``alike``
    says."""
    n, _, k = vectors.shape
    shape = (3 * n, k) if group is None else (n // group, 3 * group, k)
    flat = vectors.reshape(shape)
    total = flat @ flat.swapaxes(-1, -2)
    return total if alike is None else total * alike.repeat(3, axis=-2).repeat(3, axis=-1)


def apart(own: Array, group: int | None = None) -> Array:
    """Covariances (n, 3, 3) of prints that have nothing in common."""
    size = group or len(own)
    blocks = own.reshape(-1, size, 3, 3)
    out = np.zeros((len(blocks), size, 3, size, 3))
    at = np.arange(size)
    out[:, at, :, at, :] = blocks.transpose(1, 0, 2, 3)
    flat = out.reshape(-1, 3 * size, 3 * size)
    return flat[0] if group is None else flat


def one_by_one(design: Design, hyper: Hyper, first: int) -> tuple[Array, Array]:
    """Each print from the position ``first`` on as forecast from all before it, in their order.

    With S = L L' the covariance of their data, given the prints before ``first``, L^-1 y are the
    standardised errors of one-step-ahead forecasts. Returns L (3 m, 3 m) and these (3 m,).
    """
    past, own = design.take(np.arange(first)), design.take(np.arange(first, design.phi.n))
    return whitened(own, hyper, posterior(past, hyper) if first else None)


def whitened(design: Design, hyper: Hyper, post: Posterior | None) -> tuple[Array, Array]:
    """Prints as forecast by ``post``, or by the prior, in their order: the root L (3 n, 3 n) of the
    covariance of their data, with whatever noise the design has, and L^-1 of what they are off."""
    off = design.y.ravel()
    if post is None:
        total = by_prior(design.phi, column_variance(design.blocks, hyper.block, design.phi.p))
    else:
        off = off - (design.phi @ post.mean).ravel()
        total = by_weights(design.phi, post)
    n = design.phi.n
    pairs, at = total.reshape(n, 3, n, 3), np.arange(n)
    i, j = np.nonzero(design.job[:, None] == design.job)  # few, of very many
    film = design.job_directions * np.exp(hyper.job)[:, None]
    pairs[i, :, j] += film[i].transpose(0, 2, 1) @ film[j]
    pairs[at, :, at] += scaled_noise(design, hyper)
    root = cholesky(total, lower=True, overwrite_a=True, check_finite=False)
    return root, solve_triangular(root, off, lower=True, check_finite=False)
