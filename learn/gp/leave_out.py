"""Every print predicted as if its group had never been printed: in closed form, no refit.

Two exact ways, of one answer. A small group is taken out of its own predictions
(Rasmussen & Williams 2006, section 5.4.2, blockwise, in feature space); a large one, or one
that tears a job apart, is taken out of the precision of the weights.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky

from learn.gp import posterior
from learn.gp.arrow import Arrow
from learn.gp.design_matrix import Phi, groups_of
from learn.gp.posterior import Design, Hyper, Posterior

Array = NDArray[np.floating]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

# Beyond this many channels a weight the weights anew are the cheaper way, by trial on 800 to 6,000
# prints.
SMALL_SHARE = 0.2
# Share of the noise that keeps N - H positive where a group alone fixes a weight.
RIDGE = 1e-9
# Channels (3 a print) solved at once: bounds the memory of dense rows of Phi.
AT_ONCE = 4000


class Left(NamedTuple):
    """Each print as predicted without its group."""

    mean: Array  # (n, 3) of the residual
    covariance: Array  # (n, 3, 3) of the next measurement


@posterior.one_thread
def leave_groups_out(design: Design, hyper: Hyper, post: Posterior, group: Index) -> Left:
    """Predict every group of prints (n,) from all the others, as prints of a new job.

    Prints of a negative group stay in, and come back as NaN. A print whose noise was scaled
    up is still judged by the noise of a good one.
    """
    n, p = design.phi.n, design.phi.p
    mean, covariance = np.full((n, 3), np.nan), np.full((n, 3, 3), np.nan)
    torn = _torn(group, design.job)
    small: list[Index] = []
    large: list[Index] = []
    for rows in groups_of(group):
        if group[rows[0]] < 0:
            continue
        is_small = not _many(len(rows), p) and not torn[rows].any()
        (small if is_small else large).append(rows)
    for rows in _of_one_size(small):
        mean[rows], covariance[rows] = _without_small(design, hyper, post, rows)
    for rows in large:
        mean[rows], covariance[rows] = _without_large(design, hyper, post, rows)
    covariance += posterior.new_job_noise(design, hyper)
    return Left(mean, (covariance + covariance.transpose(0, 2, 1)) / 2)


def _torn(group: Index, job: Index) -> Mask:
    """Prints of jobs that lie in several groups, (n,)."""
    _, job = np.unique(job, return_inverse=True)
    first = np.zeros(job.max() + 1, int)
    first[job] = group  # any one of the job's groups
    torn = np.zeros(len(first), bool)
    torn[job[group != first[job]]] = True
    return torn[job]


def _of_one_size(groups: list[Index]) -> Iterator[Index]:
    """Groups of one size together, (m, k) positions each, no more than AT_ONCE channels."""
    sizes = np.array([len(g) for g in groups])
    for size in np.unique(sizes):
        same = np.array([groups[i] for i in np.flatnonzero(sizes == size)])
        step = max(1, AT_ONCE // (3 * size))
        yield from (same[i : i + step] for i in range(0, len(same), step))


def _without_small(
    design: Design, hyper: Hyper, post: Posterior, rows: Index
) -> tuple[Array, Array]:
    """Latent mean (m, k, 3) and covariance (m, k, 3, 3) of m groups of k prints.

    With H = Phi_g C Phi_g' and N_g = L L' the noise of the group, the residual without the group
    is N_g (N_g - H)^-1 e = L (1 - M)^-1 L^-1 e, where M = L^-1 H L'^-1: noise may be a thousand
    times as large along one way as along another.
    """
    m, k = rows.shape
    own = design.take(rows.ravel())
    half = post.half(own.phi).reshape(m, 3 * k, -1)
    H = half @ half.transpose(0, 2, 1)
    root = np.linalg.cholesky(_noise_of_groups(own, hyper, m))
    M = np.linalg.solve(root, np.linalg.solve(root, H).transpose(0, 2, 1))
    error = (own.y - own.phi @ post.mean).reshape(m, 3 * k, 1)
    told = np.concatenate([np.linalg.solve(root, error), M], axis=2)
    solved = np.linalg.solve((1 + RIDGE) * np.eye(3 * k) - M, told)
    mean = own.y.reshape(m, k, 3) - (root @ solved[:, :, :1]).reshape(m, k, 3)
    latent = root @ (M + M @ solved[:, :, 1:]) @ root.transpose(0, 2, 1)
    latent = latent.reshape(m, k, 3, k, 3)
    at = np.arange(k)
    return mean, latent[:, at, :, at, :].swapaxes(0, 1)


def _without_large(
    design: Design, hyper: Hyper, post: Posterior, rows: Index
) -> tuple[Array, Array]:
    """Latent mean (k, 3) and covariance (k, 3, 3) of a group, from the weights without it.

    Where nothing but the prints tells of the weights, part by part.
    """
    out = np.zeros(design.phi.n, bool)
    out[rows] = True
    touched = np.isin(design.job, design.job[rows])
    if isinstance(post.factor, Arrow):
        without = _less(design, hyper, post.factor, touched, out)
        return _predicted(design.phi.take(rows), without)
    precision, projected = post.precision.copy(), post.precision @ post.mean
    posterior.add_information(design.take(touched), hyper, precision, projected, -1.0)
    posterior.add_information(design.take(touched & ~out), hyper, precision, projected)
    root = cholesky(precision.T, lower=False, overwrite_a=True, check_finite=False)
    without = Posterior(cho_solve((root, False), projected), root, post.log_evidence)
    return _predicted(design.phi.take(rows), without)


def _less(design: Design, hyper: Hyper, arrow: Arrow, touched: Mask, out: Mask) -> Posterior:
    """The weights without the prints ``out`` (n,), which lie in the jobs ``touched`` (n,)."""
    part_of = np.empty(design.phi.n, int)
    for at, part in enumerate(design.phi.parts):
        part_of[part.rows] = at
    less: dict[int, Array] = {}
    projected = posterior.information(design, hyper)[1]
    for some, sign in ((touched, -1.0), (touched & ~out, 1.0)):
        told, onto = posterior.information(design.take(some), hyper)
        projected += sign * onto
        for at, own in zip(np.unique(part_of[some]).tolist(), told, strict=True):
            less[at] = less.get(at, 0.0) - sign * own
    without = arrow.less(less)
    return Posterior(without.solve(projected), without, np.nan)


def _predicted(phi: Phi, post: Posterior) -> tuple[Array, Array]:
    """`posterior.predict` by one that is asked this once: of few prints, or of weights solved part
    by part, the whole covariance of the weights is not written out."""
    if _many(phi.n, phi.p) and not isinstance(post.factor, Arrow):
        return posterior.predict(phi, post)
    covariance = np.empty((phi.n, 3, 3))
    for first in range(0, phi.n, AT_ONCE // 3):
        some = np.arange(first, min(first + AT_ONCE // 3, phi.n))
        half = post.half(phi.take(some))
        covariance[some] = half @ half.transpose(0, 2, 1)
    return phi @ post.mean, covariance


def _many(n: int, p: int) -> bool:
    return 3 * n > min(SMALL_SHARE * p, AT_ONCE)


def _noise_of_groups(own: Design, hyper: Hyper, m: int) -> Array:
    """Noise (m, 3 k, 3 k) of m groups of k prints, that of their jobs in common."""
    k = own.phi.n // m
    V = own.job_directions.reshape(m, k, -1, 3)
    job = own.job.reshape(m, k)
    same_job = (job[:, :, None] == job[:, None, :]).astype(float)
    N = np.einsum("gnri,r,gsrj,gns->gnisj", V, np.exp(2 * hyper.job), V, same_job, optimize=True)
    at = np.arange(k)
    N[:, at, :, at, :] += posterior.scaled_noise(own, hyper).reshape(m, k, 3, 3).swapaxes(0, 1)
    return N.reshape(m, 3 * k, 3 * k)


def without(
    design: Design, hyper: Hyper, post: Posterior, rows: Index, beside: Array
) -> tuple[Array, Array]:
    """What is believed of the prints ``rows`` (k,) and of ``beside @ w`` (J,) without these prints:
    mean (3 k + J,) and covariance of the residual and of these.

    ``beside``: (J, p). Whole jobs alone may be left out.
    """
    own, n = design.take(rows), 3 * len(rows)
    functionals = np.vstack([own.phi.dense().reshape(n, -1), beside])
    half = post.solved(functionals.T, transposed=True).T
    H = half @ half.T
    N = _noise_of_groups(own, hyper, 1)[0]
    gap = N - H[:n, :n] + RIDGE * np.trace(N) / n * np.eye(n)
    error = (own.y - own.phi @ post.mean).reshape(n, 1)
    solved = np.linalg.solve(gap, np.column_stack([error, H[:n]]))
    mean = functionals @ post.mean - H[:, :n] @ solved[:, 0]
    return mean, H + H[:, :n] @ solved[:, 1:]
