"""Phi, the matrix from weights to Lab, kept without its zeros.

A print depends on the weights of its own ink, base, garment, press: a few hundred of some
thousand. Prints are therefore kept in parts - a part an ink - each with only the columns that
some print of it uses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]
Index = NDArray[np.intp]


class Part(NamedTuple):
    """Prints that depend on the same weights."""

    rows: Index  # (m,) which prints
    columns: Index  # (k,) which weights
    matrix: Array  # (m, 3, k)


@dataclass(frozen=True)
class Phi:
    """(n, 3, p): every print stands in one part."""

    parts: list[Part]
    n: int
    p: int

    @property
    def size(self) -> int:
        """How many numbers it holds."""
        return sum(part.matrix.size for part in self.parts)

    @classmethod
    def of(cls, dense: Array, label: Index | None = None) -> Phi:
        """From (n, 3, p): prints of one label (n,) make a part, all-zero columns left out."""
        n, _, p = dense.shape
        label = np.zeros(n, int) if label is None else label
        parts = []
        for rows in groups_of(label):
            columns = np.flatnonzero((dense[rows] != 0).any(axis=(0, 1)))
            parts.append(Part(rows, columns, dense[rows][:, :, columns]))
        return cls(parts, n, p)

    def __matmul__(self, weights: Array) -> Array:
        """(n, 3) for ``weights`` (p,)."""
        out = np.zeros((self.n, 3))
        for rows, columns, values in self.parts:
            out[rows] = values @ weights[columns]
        return out

    def projected(self, values: Array) -> Array:
        """Phi' applied to ``values`` (n, 3): (p,)."""
        out = np.zeros(self.p)
        for rows, columns, matrix in self.parts:
            out[columns] += values[rows].ravel() @ matrix.reshape(3 * len(rows), -1)
        return out

    def take(self, rows: NDArray) -> Phi:
        """The prints at ``rows`` (positions or mask), renumbered in that order."""
        rows = np.flatnonzero(rows) if rows.dtype == bool else rows
        to = np.full(self.n, -1)
        to[rows] = np.arange(len(rows))
        parts = []
        for part in self.parts:
            kept = to[part.rows] >= 0
            if kept.all():
                parts.append(part._replace(rows=to[part.rows]))
            elif kept.any():
                parts.append(Part(to[part.rows[kept]], part.columns, part.matrix[kept]))
        return Phi(parts, len(rows), self.p)

    def dense(self) -> Array:
        """(n, 3, p)"""
        out = np.zeros((self.n, 3, self.p))
        for rows, columns, values in self.parts:
            out[rows[:, None], :, columns] = values.transpose(0, 2, 1)
        return out

    def quadratic(self, covariance_of: Callable[[Index], Array]) -> Array:
        """Phi_i C Phi_i' of every print, (n, 3, 3), for a covariance C of which the rows and
        columns (k,) are given, (k, k)."""
        out = np.zeros((self.n, 3, 3))
        for part in self.parts:
            rows, columns, values = part
            m, _, k = values.shape
            spread = values.reshape(3 * m, k) @ covariance_of(columns)
            out[rows] = spread.reshape(m, 3, k) @ values.transpose(0, 2, 1)
        return out


def block(matrix: Array, at: Index) -> Array:
    """The rows and columns ``at`` (k,) of a square matrix, (k, k)."""
    return matrix.take(at, axis=0, mode="clip").take(at, axis=1, mode="clip")


def among(values: Array, at: Index, size: int) -> Array:
    """(size, size): ``values`` (k, k) in the rows and columns ``at`` (k,), and zero elsewhere."""
    place = np.full(size, len(at))
    place[at] = np.arange(len(at))
    framed = np.pad(values, (0, 1))
    return block(framed, place)


def add_to_block(matrix: Array, at: Index, values: Array) -> None:
    """Add ``values`` (k, k) to the rows and columns ``at`` (k,) of ``matrix``, row by row."""
    assert matrix.flags.c_contiguous  # else what follows is a copy
    matrix.reshape(-1)[at[:, None] * len(matrix) + at] += values


def groups_of(label: Index) -> list[Index]:
    """Positions of each value of ``label`` (n,), in the order of the values."""
    if not len(label):
        return []
    order = np.argsort(label, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(label[order])) + 1)
