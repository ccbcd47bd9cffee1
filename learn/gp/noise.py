"""The noise of prints, inverted: a 3 x 3 block a print, and what the prints of a job share.

The shared part is of low rank, and is solved by Woodbury job by job.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]
Index = NDArray[np.intp]


class Noise(NamedTuple):
    """N = D + V diag(variance) V' of m prints in whole jobs, inverted."""

    inverse: Array  # (m, 3, 3) of the print blocks D
    half: Array  # (m, 3, 3) its root: inverse = half' half
    job_v: Array  # (m, r, 3) D^-1 V
    job_variance: Array  # (r,)
    job_root: Array  # (jobs, r, r) inverse of (1/variance + V' D^-1 V)
    job: Index  # (m,) numbered from 0
    order: Index  # (m,) the prints job by job
    starts: Index  # (jobs,) where each job begins among these

    @classmethod
    def of(cls, blocks: Array, V: Array, variance: Array, job: Index) -> Noise:
        """From ``blocks`` (m, 3, 3), the directions ``V`` (m, r, 3) along which prints of one
        ``job`` (m,) err together, and the ``variance`` (r,) of these errors."""
        job, order, starts = _sorted(job)
        half = np.linalg.inv(np.linalg.cholesky(blocks))
        inverse = half.transpose(0, 2, 1) @ half
        job_v = V @ inverse
        found = cls(inverse, half, job_v, variance, np.zeros(0), job, order, starts)
        middle = found.by_job(job_v @ V.transpose(0, 2, 1)) + np.diag(1 / variance)
        return found._replace(job_root=np.linalg.inv(middle))

    def take(self, rows: Index) -> Noise:
        """That of the prints ``rows``: all prints of their jobs."""
        job, order, starts = _sorted(self.job[rows])
        return self._replace(
            inverse=self.inverse[rows],
            half=self.half[rows],
            job_v=self.job_v[rows],
            job_root=self.job_root[self.job[rows[order[starts]]]],
            job=job,
            order=order,
            starts=starts,
        )

    @property
    def log_det(self) -> float:
        """Of N."""
        log_det = -2 * np.log(np.einsum("nii->ni", self.half)).sum()
        log_det -= np.linalg.slogdet(self.job_root)[1].sum()
        return float(log_det + len(self.job_root) * np.log(self.job_variance).sum())

    def by_job(self, values: Array) -> Array:
        """Sums of ``values`` (m, ...) over the prints of each job."""
        if not len(self.starts):
            return np.zeros((0, *values.shape[1:]))
        return np.add.reduceat(values[self.order], self.starts, axis=0)

    def onto_jobs(self, values: Array) -> Array:
        """V' D^-1 applied to ``values`` (m, 3, k): (jobs, r, k)."""
        return self.by_job(self.job_v @ values)

    def solve(self, values: Array, onto_jobs: Array | None = None) -> Array:
        """N^-1 applied to ``values`` (m, 3, k)."""
        onto_jobs = self.onto_jobs(values) if onto_jobs is None else onto_jobs
        back = (self.job_root @ onto_jobs)[self.job]
        return self.inverse @ values - self.job_v.transpose(0, 2, 1) @ back

    def diagonal(self) -> Array:
        """The (m, 3, 3) diagonal of N^-1."""
        shared = self.job_v.transpose(0, 2, 1) @ self.job_root[self.job] @ self.job_v
        return self.inverse - shared

    def information(self, values: Array, onto_jobs: Array) -> Array:
        """Phi' N^-1 Phi, (k, k), for the ``values`` (m, 3, k) of Phi."""
        m, _, k = values.shape
        rows = (self.half @ values).reshape(3 * m, k)
        lost = (np.linalg.cholesky(self.job_root).transpose(0, 2, 1) @ onto_jobs).reshape(-1, k)
        told: Array = rows.T @ rows
        told -= lost.T @ lost
        return told


def _sorted(job: Index) -> tuple[Index, Index, Index]:
    """Jobs numbered from 0, the prints job by job, and where each job begins among these."""
    _, job, count = np.unique(job, return_inverse=True, return_counts=True)
    return job, np.argsort(job, kind="stable"), np.cumsum(count) - count
