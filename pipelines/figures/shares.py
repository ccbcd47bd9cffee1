"""What moves a print, as bars one after the other: each begins where the one before ends."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipelines.figures.canvas import (
    DARK,
    LIGHT,
    LINE_INCHES,
    MIDDLE,
    figure_of,
    own_axes,
    style,
    wrapped,
    write,
)
from pipelines.words.common import number
from pipelines.words.why import Row

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LABEL_INCHES = 3.3


class SharesDisplay:
    """Shares of a way that add up: grey moves away, hatched goes back, the last bar is the whole.

    Parameters
    ----------
    rows : shares with their words, the largest first
    total_dE00 : what they sum to
    away_from : where the way begins: the bucket, or another print
    """

    def __init__(self, rows: Sequence[Row], total_dE00: float, away_from: str) -> None:
        self.rows, self.total_dE00, self.away_from = list(rows), total_dE00, away_from

    @property
    def described(self) -> str:
        """The numbers of the chart in words."""
        told = [f"{row.label} {number(row.dE00)}" for row in self.rows]
        return f"{'; '.join(told)}; together {number(self.total_dE00)} dE00 from {self.away_from}"

    def plot(self, ax: Axes | None = None) -> SharesDisplay:
        """Draw the bars from top to bottom, each labelled with its number."""
        n = len(self.rows)
        with style():
            words = [wrapped(row.label, LABEL_INCHES) for row in self.rows]
            lines = 1 + max((one.count("\n") for one in words), default=0)
            away_from = wrapped(f"dE00 away from {self.away_from}", LABEL_INCHES)
            high = max(0.46, LINE_INCHES * lines + 0.12)
            below = 0.7 + LINE_INCHES * away_from.count("\n")
            self.ax_ = ax = own_axes(ax, (7.2, high * (n + 1) + below))
            self.figure_ = figure_of(ax)
            ends = np.cumsum([row.dE00 for row in self.rows])
            starts = np.concatenate([[0.0], ends[:-1]])
            for i, (row, start, end) in enumerate(zip(self.rows, starts, ends, strict=True)):
                back = row.dE00 < 0
                fill, hatch = ("white", "////") if back else (LIGHT, None)
                ax.barh(i, end - start, 0.62, start, ec=DARK, lw=1, fc=fill, hatch=hatch)
                ax.plot([end, end], [i, i + 1], color=MIDDLE, lw=0.8, ls=":")
                plus = "+" if i and row.dE00 >= 0.05 else ""
                self._say(ax, i, max(start, end), plus + number(row.dE00))
            ax.barh(n, self.total_dE00, height=0.62, fc=MIDDLE, ec=DARK, lw=1)
            self._say(ax, n, self.total_dE00, number(self.total_dE00))
            ax.set_yticks(range(n + 1), [*words, "together"])
            ax.set_ylim(n + 0.5, -0.5)
            ax.grid(visible=False, axis="y")
            ax.axvline(0, color=DARK, lw=1)
            low, high = min(0.0, ends.min()), max(1.0, ends.max(), self.total_dE00)
            ax.set_xlim(low - 0.03 * (high - low) if low < 0 else 0.0, high + 0.13 * (high - low))
            ax.set_xlabel(away_from)
        return self

    @staticmethod
    def _say(ax: Axes, y: int, x: float, words: str) -> None:
        at = (max(x, 0.0), y)
        ax.annotate(words, at, (4, 0), textcoords="offset points", va="center", color=DARK)


def write_figure(path: Path, display: SharesDisplay, shop_name: str) -> None:
    """Write the bars to ``path``."""
    display.plot()
    write(path, display.figure_, f"What moves this print, {shop_name}", display.described)
