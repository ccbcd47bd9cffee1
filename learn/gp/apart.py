"""A precision most of whose weights nothing ties to any other.

On a shelf of a thousand inks never printed each brings weights of its own, at their prior: written
out, the precision would be some gigabytes of zeros.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from learn.gp.posterior import Posterior

Array = NDArray[np.floating]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class Apart:
    """The weights that are tied, by themselves; and the others one by one."""

    core: Posterior  # of k weights
    at: Index  # (k,) which of all p these are, ascending
    alone: Array  # (p,) the others' root of the precision

    @cached_property
    def number(self) -> Index:
        """Of each weight its place in the core, (p,); -1 for those that stand alone."""
        out = np.full(len(self.alone), -1)
        out[self.at] = np.arange(len(self.at))
        return out

    def root(self) -> Array:
        """(p, p), written out."""
        out = np.diag(self.alone)
        out[np.ix_(self.at, self.at)] = self.core.root
        return out

    def covariance_of(self, columns: Index) -> Array:
        """(k, k) of the weights ``columns`` (k,), no weight twice."""
        out, own = np.diag(1 / self.alone[columns] ** 2), self.number[columns]
        tied = own >= 0
        out[np.ix_(tied, tied)] = self.core.covariance_of(own[tied])
        return out

    def solved(self, values: Array, *, transposed: bool) -> Array:
        """See :meth:`learn.gp.posterior.Posterior.solved`."""
        out = values / self.alone[:, None]
        out[self.at] = self.core.solved(values[self.at], transposed=transposed)
        return out

    def with_core(self, columns: Index, mean: Array) -> Apart:
        """With the weights ``columns`` in the core too; ``mean`` (p,) of all."""
        at = np.union1d(self.at, columns)
        wider = replace(self, at=at)
        root, own = np.diag(self.alone[at]), wider.number[self.at]
        root[np.ix_(own, own)] = self.core.root
        return replace(wider, core=replace(self.core, mean=mean[at], factor=root))
