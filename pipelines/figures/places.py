"""Where in its predicted spread each print fell, from low to high."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from learn.assessment.reliability import binomial_band
from pipelines.figures.canvas import LIMIT, figure_of, own_axes, style, titled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from learn.assessment.cross_validation import KindScore


class PlacesDisplay:
    """Shares of prints by where they fell in their predicted spread; honest bands are flat.

    Parameters
    ----------
    counts : (k,) prints in k equal parts of the spread, low to high
    trials : independent cases the counts are worth; honest shares keep between the dashed
        lines 95 times in 100

    Attributes
    ----------
    ax_, figure_ : the axes and the figure drawn on
    """

    def __init__(self, counts: ArrayLike, trials: float) -> None:
        self.counts, self.trials = np.asarray(counts, float), trials

    @classmethod
    def from_kind(cls, kind: KindScore) -> PlacesDisplay:
        """Of one kind of prints left out."""
        return cls(kind.pit, max(kind.coverage.trials, 1.0))

    @property
    def shares(self) -> np.ndarray:
        """In percent, (k,)."""
        return 100 * self.counts / max(1.0, self.counts.sum())

    @property
    def described(self) -> str:
        """The numbers of the chart in words."""
        low, high = (100 * v for v in binomial_band(self.trials, 1 / len(self.counts)))
        cells = ", ".join(f"{share:.0f}" for share in self.shares)
        return f"from low to high, in percent: {cells}; right bands keep {low:.0f} to {high:.0f}"

    def plot(self, ax: Axes | None = None, *, title: str | None = None) -> PlacesDisplay:
        """Draw columns, low to high."""
        with style():
            self.ax_ = ax = own_axes(ax, (1.65, 1.1))
            self.figure_ = figure_of(ax)
            k = len(self.counts)
            ax.grid(False)
            ax.bar(np.arange(k), self.shares, color="#8c8c8c", width=0.84)
            for value in binomial_band(self.trials, 1 / k):
                ax.axhline(100 * value, **LIMIT)
            ax.set_xticks([0, k - 1], ["low", "high"])
            ax.set_yticks([])
            ax.spines[["top", "left", "right"]].set_visible(False)
            if title:
                titled(ax, title)
        return self
