"""The Gaussian process on what the physics leaves over, solved in its feature space.

    Lab residual of print i = Phi_i w + noise_i,      w ~ N(0, diag(prior variance))

Phi_i (3, p) holds the tangents of the physics (constants, K and S of each ink) and the
features of every :class:`learn.kernels.Term` times its direction. Noise is a 3 x 3 block a
print - instrument, free scatter, print-to-print film along the film tangent - plus film
errors that prints of one job share. This is a GP with covariance
``Phi diag(variance) Phi' + N``; kept as p weights instead of n x n, its cost grows with n
only linearly, a batch is appended by adding to a p x p matrix, and leaving out any group
has a closed form.

Hyper-parameters maximise the log marginal likelihood plus log-normal priors, with
analytic gradients (Rasmussen & Williams 2006, eqs 5.8-5.9, in feature space).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.linalg.blas import dsyrk
from scipy.linalg.lapack import dpotri
from scipy.optimize import minimize

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Block:
    """Columns of Phi that share one prior standard deviation."""

    name: str
    columns: slice
    direction: int | None = None  # index into Design.directions; None: no remainder
    remainder: Array | None = None  # (n,) share of variance the features do not carry
    log_sd: float = 0.0  # prior median
    spread: float = 0.0  # sd of log sd under the prior; 0 = fixed


@dataclass(frozen=True)
class Design:
    """n prints, linearised.

    ``directions`` (n, d, 3): Lab along which remainders and print noise act; the last
    one is "free", noise in L, a and b alike, and has no vector. ``job_directions`` (n, r, 3):
    Lab along which prints of one job err together.
    """

    phi: Array  # (n, 3, p)
    y: Array  # (n, 3)
    blocks: list[Block]
    directions: Array  # (n, d, 3)
    instrument: Array  # (n,) variance of the reading in each of L, a, b
    job: NDArray[np.intp]  # (n,) 0 .. n_jobs - 1
    job_directions: Array  # (n, r, 3)
    noise_scale: Array = field(default_factory=lambda: np.zeros(0))  # (n,) robust weights

    def take(self, rows: NDArray) -> Design:
        """The prints at ``rows`` (positions or mask)."""
        blocks = [
            b if b.remainder is None else replace(b, remainder=b.remainder[rows])
            for b in self.blocks
        ]
        return Design(
            self.phi[rows],
            self.y[rows],
            blocks,
            self.directions[rows],
            self.instrument[rows],
            np.unique(self.job[rows], return_inverse=True)[1],
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


class Posterior(NamedTuple):
    """Weights given the data: ``mean`` (p,) and the upper Cholesky root of the precision."""

    mean: Array
    root: Array  # (p, p), precision = root' root
    log_evidence: float

    def covariance(self) -> Array:
        """(p, p)"""
        upper, _ = dpotri(self.root, lower=0)
        upper = np.triu(upper)
        return upper + np.triu(upper, 1).T


def column_variance(blocks: list[Block], log_sd: Array, p: int) -> Array:
    """Prior variance of every weight, (p,)."""
    variance = np.empty(p)
    for block, value in zip(blocks, log_sd, strict=True):
        variance[block.columns] = np.exp(2 * value)
    return variance


def own_noise(design: Design, hyper: Hyper) -> Array:
    """Print-to-print scatter and instrument alone, (n, 3, 3): no knowledge removes these."""
    bare = replace(design, blocks=[replace(b, remainder=None) for b in design.blocks])
    return noise_blocks(bare, hyper)


def noise_blocks(design: Design, hyper: Hyper) -> Array:
    """Noise covariance of each print without the job terms, (n, 3, 3)."""
    n, d = design.directions.shape[:2]
    along = np.tile(np.exp(2 * hyper.noise), (n, 1))  # (n, d + 1)
    for block, log_sd in zip(design.blocks, hyper.block, strict=True):
        if block.remainder is not None:
            along[:, block.direction] += np.exp(2 * log_sd) * block.remainder
    u = design.directions
    cov = np.einsum("nd,ndi,ndj->nij", along[:, :d], u, u)
    cov[:, [0, 1, 2], [0, 1, 2]] += (along[:, d] + design.instrument)[:, None]
    return cov


def _scaled_noise(design: Design, hyper: Hyper) -> Array:
    cov = noise_blocks(design, hyper)
    return cov * design.noise_scale[:, None, None] if len(design.noise_scale) else cov


class _Whitened(NamedTuple):
    """Noise, inverted print by print and corrected job by job."""

    inverse: Array  # (n, 3, 3) of the print blocks
    half: Array  # (n, 3, 3) its root: inverse = half' half
    job_root: Array  # (jobs, r, r) inverse of (1/variance + V' D^-1 V)
    job_v: Array  # (n, r, 3) D^-1 V
    log_det: float


def _by_job(job: NDArray, values: Array, n_jobs: int) -> Array:
    """Sums of ``values`` (n, ...) over the prints of each job."""
    order = np.argsort(job, kind="stable")
    starts = np.searchsorted(job[order], np.arange(n_jobs))
    return np.add.reduceat(values[order], starts, axis=0)


def _whiten(design: Design, hyper: Hyper) -> _Whitened:
    blocks = _scaled_noise(design, hyper)
    half = np.linalg.inv(np.linalg.cholesky(blocks))
    inverse = half.transpose(0, 2, 1) @ half
    n_jobs = int(design.job.max()) + 1
    V = design.job_directions
    job_v = np.einsum("nri,nij->nrj", V, inverse)
    inner = _by_job(design.job, np.einsum("nri,nsi->nrs", job_v, V), n_jobs)
    middle = inner + np.diag(np.exp(-2 * hyper.job))
    log_det = np.linalg.slogdet(blocks)[1].sum() + np.linalg.slogdet(middle)[1].sum()
    log_det += n_jobs * 2 * hyper.job.sum()
    return _Whitened(inverse, half, np.linalg.inv(middle), job_v, float(log_det))


def _solve_noise(design: Design, white: _Whitened, values: Array) -> Array:
    """N^-1 applied to ``values`` (n, 3, k)."""
    n_jobs = len(white.job_root)
    direct = white.inverse @ values
    summed = _by_job(design.job, np.einsum("nri,nik->nrk", white.job_v, values), n_jobs)
    back = (white.job_root @ summed)[design.job]
    return direct - np.einsum("nri,nrk->nik", white.job_v, back)


def posterior(design: Design, hyper: Hyper) -> Posterior:
    """Weights given the history (Rasmussen & Williams 2006, section 2.1.2); prior if empty."""
    if not len(design.y):
        p = design.phi.shape[2]
        sd = np.sqrt(column_variance(design.blocks, hyper.block, p))
        return Posterior(np.zeros(p), np.diag(1 / sd), 0.0)
    return _posterior(design, hyper)[0]


def _precision(design: Design, white: _Whitened, variance: Array) -> Array:
    """Upper triangle of Phi' N^-1 Phi + diag(1 / variance), (p, p)."""
    n, _, p = design.phi.shape
    rows = (white.half @ design.phi).reshape(3 * n, p)
    shared = _by_job(
        design.job, np.einsum("nri,nip->nrp", white.job_v, design.phi), len(white.job_root)
    )
    lost = np.linalg.cholesky(white.job_root).transpose(0, 2, 1) @ shared
    precision = dsyrk(1.0, rows.T, lower=0)
    lost = lost.reshape(-1, p)
    precision = dsyrk(-1.0, lost.T, beta=1.0, c=precision, overwrite_c=1, lower=0)
    precision[np.arange(p), np.arange(p)] += 1 / variance
    return precision


def _posterior(design: Design, hyper: Hyper) -> tuple[Posterior, _Whitened, Array, Array]:
    n, _, p = design.phi.shape
    white = _whiten(design, hyper)
    W = _solve_noise(design, white, design.phi)
    variance = column_variance(design.blocks, hyper.block, p)
    root = cholesky(
        _precision(design, white, variance), lower=False, overwrite_a=True, check_finite=False
    )
    Wy = W.reshape(3 * n, p).T @ design.y.ravel()
    mean = cho_solve((root, False), Wy)
    Ny = _solve_noise(design, white, design.y[:, :, None])[:, :, 0]
    alpha = Ny - W @ mean
    log_evidence = -0.5 * (
        float((alpha * design.y).sum())
        + white.log_det
        + np.log(variance).sum()
        + 2 * np.log(np.diag(root)).sum()
        + 3 * n * np.log(2 * np.pi)
    )
    return Posterior(mean, root, log_evidence), white, W, alpha


def penalised_misfit(design: Design, hyper: Hyper, error: Array, weights: Array) -> float:
    """``error' N^-1 error + weights' Lambda^-1 weights``: what a Gauss-Newton step lowers."""
    solved = _solve_noise(design, _whiten(design, hyper), error[:, :, None])[:, :, 0]
    variance = column_variance(design.blocks, hyper.block, len(weights))
    return float((error * solved).sum() + (weights**2 / variance).sum())


class Gradient(NamedTuple):
    """Derivatives of the log evidence."""

    block: Array  # by log sd of each block
    noise: Array
    job: Array
    phi: Array  # (n, 3, p) by every feature
    along: Array  # (n, d + 1) by the noise variance of each print along each direction


def evidence(design: Design, hyper: Hyper) -> tuple[float, Gradient]:
    """Log marginal likelihood and its gradient by everything it depends on."""
    n, _, p = design.phi.shape
    d = design.directions.shape[1]
    post, white, W, alpha = _posterior(design, hyper)
    C = post.covariance()
    # only the gradient hangs on this product, and single precision is plenty for it
    E = W.reshape(3 * n, p).astype(np.float32) @ C.astype(np.float32)
    E = E.reshape(n, 3, p)

    # diagonal blocks of Sigma^-1 = N^-1 - W C W'
    job_root = white.job_root[design.job]
    inverse = white.inverse - np.einsum(
        "nri,nrs,nsj->nij", white.job_v, job_root, white.job_v, optimize=True
    )
    inverse -= E @ W.transpose(0, 2, 1)
    slack = alpha[:, :, None] * alpha[:, None, :] - inverse  # (n, 3, 3)
    if len(design.noise_scale):
        slack = slack * design.noise_scale[:, None, None]
    u = design.directions
    along = np.empty((n, d + 1))
    along[:, :d] = 0.5 * np.einsum("ndi,nij,ndj->nd", u, slack, u, optimize=True)
    along[:, d] = 0.5 * np.trace(slack, axis1=1, axis2=2)

    by_block = np.empty(len(design.blocks))
    diag_c = np.diag(C)
    for b, (block, log_sd) in enumerate(zip(design.blocks, hyper.block, strict=True)):
        variance = np.exp(2 * log_sd)
        m, c = post.mean[block.columns], diag_c[block.columns]
        by_block[b] = m @ m / variance - len(m) + c.sum() / variance
        if block.remainder is not None:
            by_block[b] += 2 * variance * (along[:, block.direction] @ block.remainder)

    n_jobs = len(white.job_root)
    V = design.job_directions
    inner = _by_job(design.job, np.einsum("nri,nsi->nrs", white.job_v, V), n_jobs)
    inner = inner - inner @ white.job_root @ inner
    VW = _by_job(design.job, np.einsum("nri,nip->nrp", V, W), n_jobs)
    VE = _by_job(design.job, np.einsum("nri,nip->nrp", V, E), n_jobs)
    Va = _by_job(design.job, np.einsum("nri,ni->nr", V, alpha), n_jobs)
    quadratic = np.einsum("jrr->jr", inner) - np.einsum("jrp,jrp->jr", VW, VE)
    by_job = np.exp(2 * hyper.job) * (Va**2 - quadratic).sum(axis=0)

    by_noise = 2 * np.exp(2 * hyper.noise) * along.sum(axis=0)
    by_phi = alpha[:, :, None] * post.mean - E
    return post.log_evidence, Gradient(by_block, by_noise, by_job, by_phi, along)


class Left(NamedTuple):
    """Each print as predicted without its group."""

    mean: Array  # (n, 3) of the residual
    covariance: Array  # (n, 3, 3) of the next measurement


def half_influence(design: Design, post: Posterior) -> Array:
    """(n, 3, p) whose products are the posterior covariance of the prints, Phi C Phi'."""
    n, _, p = design.phi.shape
    flat = design.phi.reshape(3 * n, p)
    return solve_triangular(post.root, flat.T, trans="T", check_finite=False).T.reshape(n, 3, p)


def leave_groups_out(
    design: Design,
    hyper: Hyper,
    post: Posterior,
    group: NDArray[np.intp],
    half: Array | None = None,
) -> Left:
    """Predict every group of prints from all the others, in closed form.

    Rasmussen & Williams 2006, section 5.4.2, blockwise, in feature space: with
    H = Phi_g C Phi_g' and N_g the noise of the group, the residual without the group is
    N_g (N_g - H)^-1 e. Job terms couple prints within a group; a job that reaches over
    several groups counts as several. A print whose noise was scaled up is still judged
    by the noise of a good one. ``half``: :func:`half_influence`, if already known.
    """
    n, _, p = design.phi.shape
    half = half_influence(design, post) if half is None else half
    good, blocks = noise_blocks(design, hyper), _scaled_noise(design, hyper)
    mean, covariance = np.empty((n, 3)), np.empty((n, 3, 3))
    error = design.y - design.phi @ post.mean
    for rows in _equal_groups(group):
        m, k = rows.shape  # m groups of k prints at once
        own = half[rows].reshape(m, 3 * k, p)
        H = own @ own.transpose(0, 2, 1)
        V, same_job = (
            design.job_directions[rows],
            design.job[rows, None] == design.job[rows][:, None],
        )
        N = np.einsum(
            "gnri,r,gsrj,gns->gnisj", V, np.exp(2 * hyper.job), V, same_job, optimize=True
        )
        at = np.arange(k)
        N[:, at, :, at, :] += blocks[rows].transpose(1, 0, 2, 3)
        N = N.reshape(m, 3 * k, 3 * k)
        # the small ridge keeps N - H positive where the group alone fixes a weight
        ridge = 1e-9 * np.trace(N, axis1=1, axis2=2) / (3 * k)
        gap = N - H + ridge[:, None, None] * np.eye(3 * k)
        e = error[rows].reshape(m, 3 * k, 1)
        solved = np.linalg.solve(gap, np.concatenate([e, H], axis=2))
        mean[rows] = design.y[rows] - (N @ solved[:, :, :1]).reshape(m, k, 3)
        wide = (H + H @ solved[:, :, 1:] + N).reshape(m, k, 3, k, 3)
        covariance[rows] = wide[:, at, :, at, :].transpose(1, 0, 2, 3) - blocks[rows] + good[rows]
    return Left(mean, (covariance + covariance.transpose(0, 2, 1)) / 2)


def _equal_groups(group: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Positions of the prints of each group, groups of one size together: (m, k) each."""
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(group[order]) > 0])
    sizes = np.diff(np.r_[starts, len(group)])
    return [order[starts[sizes == size][:, None] + np.arange(size)] for size in np.unique(sizes)]


def predict(phi: Array, post: Posterior) -> tuple[Array, Array]:
    """Mean (n, 3) of ``phi`` (n, 3, p) and its covariance (n, 3, 3) from the weights."""
    n, _, p = phi.shape
    half = solve_triangular(post.root, phi.reshape(3 * n, p).T, trans="T", check_finite=False)
    half = half.T.reshape(n, 3, p)
    return phi @ post.mean, half @ half.transpose(0, 2, 1)


def maximise(
    objective: Callable[[Array], tuple[float, Array]],
    start: Array,
    prior_median: Array,
    prior_spread: Array,
    max_iterations: int,
) -> tuple[Array, bool]:
    """MAP of hyper-parameters on the log scale under independent log-normal priors.

    ``objective`` returns log evidence and gradient; a spread of 0 holds a parameter at
    its start. Returns the parameters and whether L-BFGS converged.
    """
    free = prior_spread > 0
    x = start.copy()

    def negative(z: Array) -> tuple[float, Array]:
        x[free] = z
        value, gradient = objective(x)
        away = (z - prior_median[free]) / prior_spread[free]
        return (
            -(value - 0.5 * away @ away),
            -(gradient[free] - away / prior_spread[free]),
        )

    found = minimize(
        negative,
        start[free],
        jac=True,
        method="L-BFGS-B",
        bounds=[
            (m - 4 * s, m + 4 * s)
            for m, s in zip(prior_median[free], prior_spread[free], strict=True)
        ],
        options={"maxiter": max_iterations, "ftol": 1e-7, "gtol": 1e-3},
    )
    x[free] = found.x
    return x, bool(found.success)
