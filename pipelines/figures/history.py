"""What more prints are worth: a figure of merit against the prints learnt from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipelines.figures.canvas import (
    DARK,
    DISC,
    LIMIT,
    SQUARE,
    WHISKER,
    figure_of,
    own_axes,
    style,
    titled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from learn.assessment.learning_curve import Point

# What of a point is shown -> axis, factor, and what is aimed at.
SHOWN = {
    "error": ("half of the prints within, dE00", 1.0, None),
    "tests": ("set-ups wanting a test print, %", 100.0, None),
    "coverage": ("inside the 90 % bands, %", 100.0, 90.0),
}


class HistoryDisplay:
    """A figure of merit by prints in the history, with 95 % intervals.

    Parameters
    ----------
    points : refits, and the whole history last
    shown : "error", "tests" or "coverage"

    Attributes
    ----------
    ax_, figure_ : the axes and the figure drawn on
    """

    def __init__(self, points: Sequence[Point], shown: str = "error") -> None:
        self.points, self.shown = points, shown

    @property
    def rows(self) -> np.ndarray:
        """(k, 4): prints, value, low, high."""
        factor = SHOWN[self.shown][1]
        return np.array(
            [(p.n, *(factor * np.array(getattr(p, self.shown)[:3]))) for p in self.points]
        )

    @property
    def described(self) -> str:
        """The numbers of the chart in words."""
        digits = 2 if self.shown == "error" else 0
        cells = [f"{n:.0f} prints {v:.{digits}f}" for n, v, *_ in self.rows]
        return f"{SHOWN[self.shown][0]}: " + "; ".join(cells)

    def plot(self, ax: Axes | None = None, *, title: str | None = None) -> HistoryDisplay:
        """Draw; the whole history is no refit: an open square, not joined.

        ``title`` is what is shown unless another is given.
        """
        axis, _, limit = SHOWN[self.shown]
        with style():
            self.ax_ = ax = own_axes(ax, (3.2, 2.6))
            self.figure_ = figure_of(ax)
            n, value, low, high = self.rows.T
            if limit is not None:
                ax.axhline(limit, **LIMIT)
            ax.errorbar(
                n, value, np.array([value - low, high - value]).clip(0), fmt="none", **WHISKER
            )
            ax.plot(n[:-1], value[:-1], color=DARK, lw=1.2, clip_on=False, **DISC)
            ax.plot(n[-1:], value[-1:], ls="none", clip_on=False, **SQUARE)
            ax.set_xscale("log")
            ticks = [t for t in TICKS if n.min() / 1.2 <= t <= n.max() * 1.2]
            ax.set_xticks(ticks, [f"{t:g}" for t in ticks])
            ax.minorticks_off()
            ax.set_xlim(n.min() / 1.2, n.max() * 1.2)
            if limit is None:
                ax.set_ylim(0, 1.06 * high.max())
            else:
                ax.set_ylim(min(60.0, low.min() - 2), 100.5)
            ax.set_xlabel("prints in the history")
            titled(ax, axis if title is None else title)
        return self


TICKS = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000]
