"""The Gaussian process on what the physics leaves over, solved in its feature space.

    Lab residual of print i = Phi_i w + noise_i,      w ~ N(0, diag(prior variance))

Phi_i (3, p) holds the tangents of the physics (constants, K and S of each ink) and the
features of every :class:`learn.gp.terms.Term` times its direction. Noise is a 3 x 3 block a
print - instrument, free scatter, print-to-print film along the film tangent - plus film
errors that prints of one job share. This is a GP with covariance
``Phi diag(variance) Phi' + N``; kept as p weights instead of n x n, its cost grows with n
only linearly, a batch is appended by adding to a p x p matrix, and leaving out any group
has a closed form (:mod:`learn.gp.leave_out`).

Parts of Phi (an ink each) meet only in the weights they share, so everything but a system of
these goes part by part (:mod:`learn.gp.arrow`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky, solve_triangular
from threadpoolctl import threadpool_limits

from learn.gp.apart import Apart
from learn.gp.arrow import Arrow, inverse_of, root_of
from learn.gp.design_matrix import Index, Part, Phi, add_to_block
from learn.gp.design_matrix import block as block_of
from learn.gp.noise import Noise
from learn.workers import large_at_work

Array = NDArray[np.floating]

# Learning is many small products, over which BLAS threads wait for each other: two threads
# made it slower than one, here by half and beside other work three times.
one_thread = threadpool_limits.wrap(limits=1, user_api="blas")


@dataclass(frozen=True)
class Block:
    """Columns of Phi that share one prior standard deviation."""

    name: str
    columns: slice
    direction: int | None = None  # index into Design.directions; None: no remainder
    remainder: Array | None = None  # (n,) share of variance the features do not carry


@dataclass(frozen=True)
class Design:
    """n prints, linearised.

    ``directions`` (n, d, 3): Lab along which remainders and print noise act; one more,
    "free", is noise in L, a and b alike, and has no vector. ``job_directions`` (n, r, 3):
    Lab along which prints of one job err together; a job here never reaches over two parts
    of Phi.
    """

    phi: Phi
    y: Array  # (n, 3)
    blocks: list[Block]
    directions: Array  # (n, d, 3)
    instrument: Array  # (n,) variance of the reading in each of L, a, b
    job: NDArray[np.intp]  # (n,) prints that share a number share an error
    job_directions: Array  # (n, r, 3)
    noise_scale: Array = field(default_factory=lambda: np.zeros(0))  # (n,) robust weights

    def copy(self) -> Design:
        """One whose values of Phi and blocks may be overwritten."""
        parts = [part._replace(matrix=part.matrix.copy()) for part in self.phi.parts]
        return replace(self, phi=replace(self.phi, parts=parts), blocks=list(self.blocks))

    def take(self, rows: NDArray) -> Design:
        """The prints at ``rows`` (positions or mask)."""
        blocks = [
            b if b.remainder is None else replace(b, remainder=b.remainder[rows])
            for b in self.blocks
        ]
        return Design(
            self.phi.take(rows),
            self.y[rows],
            blocks,
            self.directions[rows],
            self.instrument[rows],
            self.job[rows],
            self.job_directions[rows],
            self.noise_scale[rows] if len(self.noise_scale) else self.noise_scale,
        )


@dataclass(frozen=True)
class Hyper:
    """log standard deviations: a block each, print noise a direction (the last is free
    noise in Lab), job noise a job direction."""

    block: Array
    noise: Array  # (d + 1,)
    job: Array  # (r,)

    def vector(self) -> Array:
        return np.concatenate([self.block, self.noise, self.job])

    def of(self, vector: Array) -> Hyper:
        a, b = len(self.block), len(self.block) + len(self.noise)
        return Hyper(vector[:a], vector[a:b], vector[b:])


@dataclass(frozen=True)
class Posterior:
    """Weights given the data: ``mean`` (p,) and their precision, as its upper Cholesky root
    (p, p), as an arrow, which is written out once it is asked for, or as a core and what stands
    apart."""

    mean: Array
    factor: Array | Arrow | Apart
    log_evidence: float

    @cached_property
    def root(self) -> Array:
        """(p, p) upper triangle, precision = root' root."""
        if isinstance(self.factor, Arrow):
            return _written_out(self.factor)
        return self.factor.root() if isinstance(self.factor, Apart) else self.factor

    @cached_property
    def precision(self) -> Array:
        """(p, p)"""
        return self.root.T @ self.root

    @cached_property
    def covariance(self) -> Array:
        """(p, p)"""
        return inverse_of(self.root)

    @cached_property
    def variance(self) -> Array:
        """The diagonal of the covariance, (p,)."""
        if isinstance(self.factor, Arrow):
            return self.factor.variance()
        return np.diag(self.covariance)

    def covariance_of(self, columns: Index) -> Array:
        """(k, k) of the weights ``columns`` (k,)."""
        if isinstance(self.factor, Apart):
            return self.factor.covariance_of(columns)
        return block_of(self.covariance, columns)

    def solved(self, values: Array, *, transposed: bool = False) -> Array:
        """Inverse of the root times ``values`` (p, m): of standard normal ones, draws of how far
        weights lie from their mean; ``transposed``: of the root', so that C = solved' solved."""
        if isinstance(self.factor, Apart):
            return self.factor.solved(values, transposed=transposed)
        return solve_triangular(self.root, values, trans=int(transposed), check_finite=False)

    def half(self, phi: Phi) -> Array:
        """(n, 3, q) whose rows have the products of Phi C Phi'."""
        if isinstance(self.factor, Arrow):
            return self.factor.half(phi)
        flat = phi.dense().reshape(-1, phi.p)
        return self.solved(flat.T, transposed=True).T.reshape(phi.n, 3, phi.p)


@one_thread
def _written_out(arrow: Arrow) -> Array:
    """Its root (p, p): the same digits, whoever asks and when."""
    return root_of(arrow.precision())


def column_variance(blocks: list[Block], log_sd: Array, p: int) -> Array:
    """Prior variance of every weight, (p,)."""
    variance = np.empty(p)
    for block, value in zip(blocks, log_sd, strict=True):
        variance[block.columns] = np.exp(2 * value)
    return variance


def own_noise(design: Design, hyper: Hyper) -> Array:
    """Print-to-print scatter and instrument alone, (n, 3, 3): no knowledge removes these."""
    return scatter(design.directions, design.instrument, hyper)


def scatter(directions: Array, instrument: Array, hyper: Hyper) -> Array:
    """:func:`own_noise` of prints with ``directions`` (n, d, 3), ``instrument`` (n,)."""
    along = np.tile(np.exp(2 * hyper.noise), (len(directions), 1))
    return _noise_along(directions, along, instrument)


def noise_blocks(design: Design, hyper: Hyper) -> Array:
    """Noise covariance of each print without the job terms, (n, 3, 3)."""
    along = np.tile(np.exp(2 * hyper.noise), (len(design.directions), 1))
    for block, log_sd in zip(design.blocks, hyper.block, strict=True):
        if block.remainder is not None:
            along[:, block.direction] += np.exp(2 * log_sd) * block.remainder
    return _noise_along(design.directions, along, design.instrument)


def _noise_along(u: Array, along: Array, instrument: Array) -> Array:
    """(n, 3, 3) for variances ``along`` (n, d + 1) the directions and freely in Lab."""
    d = u.shape[1]
    cov = (u * along[:, :d, None]).transpose(0, 2, 1) @ u
    cov[:, [0, 1, 2], [0, 1, 2]] += (along[:, d] + instrument)[:, None]
    return cov


def job_noise(design: Design, hyper: Hyper) -> Array:
    """What the job adds to the noise of each print of a new one, (n, 3, 3)."""
    V = design.job_directions
    return (V * np.exp(2 * hyper.job)[:, None]).transpose(0, 2, 1) @ V


def new_job_noise(design: Design, hyper: Hyper) -> Array:
    """All the noise of each print as one of a new job, (n, 3, 3)."""
    return noise_blocks(design, hyper) + job_noise(design, hyper)


def scaled_noise(design: Design, hyper: Hyper) -> Array:
    """:func:`noise_blocks` under the robust weights."""
    cov = noise_blocks(design, hyper)
    return cov * design.noise_scale[:, None, None] if len(design.noise_scale) else cov


def noise_of(design: Design, hyper: Hyper) -> Noise:
    """All the noise of the prints, inverted."""
    blocks, variance = scaled_noise(design, hyper), np.exp(2 * hyper.job)
    return Noise.of(blocks, design.job_directions, variance, design.job)


class _Seen(NamedTuple):
    """A part of Phi, its noise, and Phi summed over jobs."""

    part: Part
    noise: Noise
    onto_jobs: Array  # (jobs, r, k)

    @classmethod
    def of(cls, part: Part, noise: Noise) -> _Seen:
        """``noise``: of all prints."""
        own = noise.take(part.rows)
        return cls(part, own, own.onto_jobs(part.matrix))

    def information(self) -> Array:
        return self.noise.information(self.part.matrix, self.onto_jobs)


class _Solved(NamedTuple):
    posterior: Posterior
    arrow: Arrow
    parts: list[_Seen]
    alpha: Array  # (n, 3) inverse covariance of the data applied to them

    def inverse(self, at: int) -> tuple[Array, Array]:
        """Of the part ``at``: E = N^-1 Phi C, (m, 3, k), and the (m, 3, 3) diagonal of
        Sigma^-1 = N^-1 - E (N^-1 Phi)'."""
        part, noise, onto_jobs = self.parts[at]
        W = noise.solve(part.matrix, onto_jobs)
        m, _, k = W.shape
        E = self.arrow.times(W.reshape(3 * m, k), at).reshape(m, 3, k)
        return E, noise.diagonal() - E @ W.transpose(0, 2, 1)


def _solve(design: Design, hyper: Hyper) -> _Solved:
    phi, y, noise = design.phi, design.y, noise_of(design, hyper)
    variance = column_variance(design.blocks, hyper.block, phi.p)
    parts = [_Seen.of(part, noise) for part in phi.parts]
    told = large_at_work(_Seen.information, parts, phi.size)
    arrow = Arrow.of(1 / variance, [part.columns for part in phi.parts], told)
    mean = arrow.solve(phi.projected(noise.solve(y[:, :, None])[:, :, 0]))
    alpha = noise.solve((y - phi @ mean)[:, :, None])[:, :, 0]
    log_evidence = -0.5 * (
        float((alpha * y).sum())
        + noise.log_det
        + np.log(variance).sum()
        + arrow.log_det
        + y.size * np.log(2 * np.pi)
    )
    return _Solved(Posterior(mean, arrow, log_evidence), arrow, parts, alpha)


def posterior(design: Design, hyper: Hyper) -> Posterior:
    """Weights given the history (Rasmussen & Williams 2006, section 2.1.2); prior if empty."""
    return _solve(design, hyper).posterior


def updated(post: Posterior, design: Design, hyper: Hyper) -> Posterior:
    """``post`` with the prints of ``design`` learnt as well: p x p work, whatever came before.

    Keeps the log evidence of what the hyper-parameters were chosen on.
    """
    precision, projected = post.precision.copy(), post.precision @ post.mean
    add_information(design, hyper, precision, projected)
    root = cholesky(precision.T, lower=False, overwrite_a=True, check_finite=False)
    return Posterior(cho_solve((root, False), projected), root, post.log_evidence)


def informed(post: Posterior, told: Sequence[tuple[Index, Array, Array]]) -> Posterior:
    """``post`` with what is known of some weights besides: their columns (k,), information (k, k)
    and what it tells of them (k,)."""
    if isinstance(post.factor, Apart):
        touched = np.concatenate([np.zeros(0, int), *(columns for columns, _, _ in told)])
        apart = post.factor.with_core(touched, post.mean)
        inner = [(apart.number[columns], information, of) for columns, information, of in told]
        core, mean = informed(apart.core, inner), post.mean.copy()
        mean[apart.at] = core.mean
        return Posterior(mean, replace(apart, core=core), post.log_evidence)
    precision, projected = post.precision.copy(), post.precision @ post.mean
    for columns, information, of in told:
        precision[np.ix_(columns, columns)] += information
        projected[columns] += of
    root = cholesky((precision + precision.T) / 2, lower=False, check_finite=False)
    return Posterior(cho_solve((root, False), projected), root, post.log_evidence)


def add_information(
    design: Design, hyper: Hyper, precision: Array, projected: Array, sign: float = 1.0
) -> None:
    """Add to ``precision`` (p, p; lower triangle) and ``projected`` (p,) what prints say."""
    told, onto = information(design, hyper)
    projected += sign * onto
    for part, own in zip(design.phi.parts, told, strict=True):
        add_to_block(precision, part.columns, sign * own)


def information(design: Design, hyper: Hyper) -> tuple[Iterator[Array], Array]:
    """What prints say: of the weights (k,) of every part of Phi, (k, k), and Phi' N^-1 y (p,)."""
    noise = noise_of(design, hyper)
    told = (_Seen.of(part, noise).information() for part in design.phi.parts)
    return told, design.phi.projected(noise.solve(design.y[:, :, None])[:, :, 0])


def misfit(design: Design, hyper: Hyper, error: Array) -> float:
    """``error' N^-1 error`` for errors (n, 3)."""
    e = error[:, :, None]
    return float((e * noise_of(design, hyper).solve(e)).sum())


def penalised_misfit(design: Design, hyper: Hyper, error: Array, weights: Array) -> float:
    """:func:`misfit` plus ``weights' Lambda^-1 weights``: what a Gauss-Newton step lowers."""
    variance = column_variance(design.blocks, hyper.block, len(weights))
    return misfit(design, hyper, error) + float((weights**2 / variance).sum())


class Gradient(NamedTuple):
    """Derivatives of the log evidence."""

    block: Array  # by log sd of each block
    noise: Array
    job: Array
    phi: list[Array]  # (m, 3, k) a part, by its features
    along: Array  # (n, d + 1) by the noise variance of each print along each direction


def evidence(design: Design, hyper: Hyper) -> tuple[float, Gradient]:
    """Log marginal likelihood and its gradient by everything it depends on.

    Rasmussen & Williams 2006, eqs 5.8 and 5.9, in feature space.
    """
    n, d = design.directions.shape[:2]
    solved = _solve(design, hyper)
    post, _, parts, alpha = solved
    u, along = design.directions, np.empty((n, d + 1))
    told = np.zeros(design.phi.p)  # how far the data narrow each weight: 1 - C / variance

    def slopes(at: int) -> tuple[Array, Array, Array]:
        """By the features of a part and by job noise, and how far it narrows its weights;
        ``along`` is filled."""
        (part, noise, onto_jobs), (E, inverse) = parts[at], solved.inverse(at)
        rows, a = part.rows, alpha[part.rows]
        slack = a[:, :, None] * a[:, None, :] - inverse  # (m, 3, 3)
        if len(design.noise_scale):
            slack = slack * design.noise_scale[rows, None, None]
        along[rows, :d] = 0.5 * ((u[rows] @ slack) * u[rows]).sum(axis=2)
        along[rows, d] = 0.5 * np.trace(slack, axis1=1, axis2=2)
        narrowed = (part.matrix * E).sum(axis=(0, 1))
        by_phi = a[:, :, None] * post.mean[part.columns] - E

        V = design.job_directions[rows]
        inner = noise.onto_jobs(V.transpose(0, 2, 1))
        left = np.eye(inner.shape[1]) - inner @ noise.job_root  # V' N^-1 is this V' D^-1
        quadratic = np.einsum("jrr->jr", left @ inner)
        quadratic = quadratic - ((left @ onto_jobs) * noise.by_job(V @ E)).sum(axis=2)
        Va = noise.by_job((V @ a[:, :, None])[:, :, 0])
        return by_phi, np.exp(2 * hyper.job) * (Va**2 - quadratic).sum(axis=0), narrowed

    found = list(large_at_work(slopes, range(len(parts)), design.phi.size))
    by_job = sum((of_job for _, of_job, _ in found), np.zeros(len(hyper.job)))
    for part, (*_, narrowed) in zip(design.phi.parts, found, strict=True):
        told[part.columns] += narrowed
    by_block = np.empty(len(design.blocks))
    for b, (block, log_sd) in enumerate(zip(design.blocks, hyper.block, strict=True)):
        variance = np.exp(2 * log_sd)
        m = post.mean[block.columns]
        by_block[b] = m @ m / variance - told[block.columns].sum()
        if block.remainder is not None:
            by_block[b] += 2 * variance * (along[:, block.direction] @ block.remainder)
    by_noise = 2 * np.exp(2 * hyper.noise) * along.sum(axis=0)
    return post.log_evidence, Gradient(
        by_block, by_noise, by_job, [by_phi for by_phi, *_ in found], along
    )


def leave_one_out(design: Design, hyper: Hyper) -> tuple[Posterior, Array, Array]:
    """The posterior; and every print's error (n, 3), and its covariance (n, 3, 3), as
    predicted from all the others, those of its own job among them.

    Rasmussen & Williams 2006, eqs 5.10 - 5.12, blockwise. A print whose noise was scaled up
    is still judged by the noise of a good one.
    """
    solved = _solve(design, hyper)
    parts, covariance = design.phi.parts, np.empty((len(design.y), 3, 3))

    def left_out(at: int) -> Array:
        return np.linalg.inv(solved.inverse(at)[1])

    found = large_at_work(left_out, range(len(parts)), design.phi.size)
    for part, own in zip(parts, found, strict=True):
        covariance[part.rows] = own
    error = (covariance @ solved.alpha[:, :, None])[:, :, 0]
    if len(design.noise_scale):
        good = noise_blocks(design, hyper)
        covariance -= (design.noise_scale - 1)[:, None, None] * good
    return solved.posterior, error, covariance


def of_more(design: Design, hyper: Hyper, more: Iterable[Array]) -> Iterator[tuple[Array, Array]]:
    """What prints say of further weights, each by itself beside all that the design has: the
    information on each of some (m,), and what it tells (m,). ``more``: for each of several lots of
    weights (n, 3, m), Lab a unit of each."""
    solved = _solve(design, hyper)
    for values in more:
        onto, m = np.zeros((design.phi.p, values.shape[2])), values.shape[2]
        information = np.zeros(m)
        for part, noise, _ in solved.parts:
            own = values[part.rows]
            weighed = noise.solve(own)
            information += (own * weighed).sum(axis=(0, 1))
            k = len(part.columns)
            onto[part.columns] += part.matrix.reshape(-1, k).T @ weighed.reshape(-1, m)
        information -= (onto * solved.arrow.solve(onto)).sum(axis=0)
        yield np.maximum(information, 0.0), (values * solved.alpha[:, :, None]).sum(axis=(0, 1))


def predict(phi: Phi, post: Posterior) -> tuple[Array, Array]:
    """Mean (n, 3) of the residual and its covariance (n, 3, 3) from the weights."""
    return phi @ post.mean, phi.quadratic(post.covariance_of)
