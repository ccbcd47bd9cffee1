"""Where the marks of the check page's rows lie; its templates draw them.

The rows stretch with their column, which a finished chart cannot; the charts of the page are
matplotlib's (`pipelines.figures`). Marks differ by shape, never by colour alone: a disc is what
was learnt, a square the physics alone, a cross the nearest past print; a grey bar is scatter of
press and instrument.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Axis:
    """A horizontal axis in percent of the width of a strip."""

    ticks: Sequence[float]
    position: Callable[[float], float]  # 0..1
    write: Callable[[float], str]

    def at(self, value: float) -> str:
        """Where a value lies, as SVG takes it; beyond the ends, at the end."""
        return f"{100 * self._share(value):.2f}%"

    def width(self, low: float, high: float) -> str:
        """How far apart two values lie."""
        return f"{100 * (self._share(high) - self._share(low)):.2f}%"

    def _share(self, value: float) -> float:
        return float(np.clip(self.position(value), 0, 1))

    @property
    def labels(self) -> list[tuple[str, str]]:
        """Place and words of each tick."""
        return [(self.at(tick), self.write(tick)) for tick in self.ticks]


def difference_axis(largest: float) -> Axis:
    """dE00 from 0, steps shrinking to the right."""
    ticks = [t for t in (0, 0.25, 0.5, 1, 2, 3, 5, 10, 20, 40) if t < largest]
    end = max(largest * 1.06, 0.6)
    return Axis(_apart(ticks, end), lambda v: np.sqrt(max(v, 0.0) / end), lambda v: f"{v:g}")


def _apart(ticks: Sequence[float], end: float) -> list[float]:
    """Ticks with room for their labels, also on the narrow strip of a phone."""
    out: list[float] = []
    for tick in ticks:
        if not out or np.sqrt(tick / end) - np.sqrt(out[-1] / end) > 0.22:
            out.append(tick)
    return out


def share_axis(low: float) -> Axis:
    """Shares from ``low`` to 1 in percent."""
    step = 0.1
    ticks = np.arange(np.ceil(low / step - 1e-9), round(1 / step) + 1) * step
    return Axis(ticks.tolist(), lambda v: (v - low) / (1 - low), lambda v: f"{100 * v:.0f}")


def strip(
    axis: Axis,
    described: str,
    marks: Sequence[tuple[str, float]] = (),
    *,
    interval: tuple[float, float] | None = None,
    bar: tuple[float, float] | None = None,
    limit: float | None = None,
) -> dict:
    """One row: marks (shape, value) on an axis.

    ``interval`` is drawn as a line with ends, ``bar`` as a grey region, ``limit`` dashed.
    """
    return {
        "described": described,
        "ticks": [axis.at(tick) for tick in axis.ticks],
        "marks": [(shape, axis.at(value)) for shape, value in marks],
        "interval": interval and [axis.at(value) for value in interval],
        "bar": bar and {"x": axis.at(bar[0]), "width": axis.width(*bar)},
        "limit": None if limit is None else axis.at(limit),
    }


def budget_bar(parts: Sequence[tuple[str, float]]) -> list[dict]:
    """A bar cut into parts (words, length)."""
    total = sum(length for _, length in parts) or 1.0
    out, at = [], 0.0
    for words, length in parts:
        width = 100 * length / total
        late = at > 50
        out.append(
            {
                "words": words,
                "x": f"{at:.2f}%",
                "width": f"{width:.2f}%",
                "word": (f"{at + width if late else at:.2f}%", "end" if late else "start"),
            }
        )
        at += width
    return out
