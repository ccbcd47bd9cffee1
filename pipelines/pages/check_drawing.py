"""The drawings of the page that checks a model, as inline SVG.

Marks differ by shape, never by colour alone: a disc is what was learnt, a square the physics
alone, a cross the nearest past print; a grey bar is scatter of press and instrument.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from learn.assessment.reliability import binomial_band
from pipelines.pages.drawing import mark

DARK = "#1a1a1a"
ROW_PX = 26
PLOT_PX = 300  # width of a plot; all fit twice into a narrow window
HEIGHT_PX = 230
LEFT_PX, RIGHT_PX, TOP_PX, FOOT_PX = 44, 12, 12, 40


@dataclass(frozen=True)
class Axis:
    """A horizontal axis in percent of the width of a strip."""

    ticks: Sequence[float]
    position: Callable[[float], float]  # 0..1
    write: Callable[[float], str]

    def at(self, value: float) -> str:
        """Where a value lies, as SVG takes it; beyond the ends, at the end."""
        return f"{100 * float(np.clip(self.position(value), 0, 1)):.2f}%"


def difference_axis(largest: float) -> Axis:
    """dE00 from 0, steps shrinking to the right."""
    ticks = [t for t in (0, 0.25, 0.5, 1, 2, 3, 5, 10, 20, 40) if t < largest]
    end = max(largest * 1.06, 0.6)
    return Axis(_apart(ticks, end), lambda v: np.sqrt(max(v, 0.0) / end), lambda v: f"{v:g}")


def _apart(ticks: Sequence[float], end: float) -> list[float]:
    """Ticks with room for their labels."""
    out: list[float] = []
    for tick in ticks:
        if not out or np.sqrt(tick / end) - np.sqrt(out[-1] / end) > 0.14:
            out.append(tick)
    return out


def share_axis(low: float) -> Axis:
    """Shares from ``low`` to 1 in percent."""
    step = 0.1
    ticks = np.arange(np.ceil(low / step - 1e-9), round(1 / step) + 1) * step
    return Axis(ticks, lambda v: (v - low) / (1 - low), lambda v: f"{100 * v:.0f}")


def axis_head(axis: Axis, words: str) -> str:
    """The tick labels over a column of strips."""
    parts = [f'<text x="0" y="12">{words}</text>']
    for tick in axis.ticks:
        parts.append(f'<text x="{axis.at(tick)}" y="28" class="mid">{axis.write(tick)}</text>')
    return f'<svg class="strip" height="32" aria-hidden="true">{"".join(parts)}</svg>'


def strip(
    axis: Axis,
    described: str,
    marks: Sequence[tuple[str, float]] = (),
    *,
    interval: tuple[float, float] | None = None,
    bar: tuple[float, float] | None = None,
    limit: float | None = None,
) -> str:
    """One row: marks (shape, value) on an axis.

    ``interval`` is drawn as a line with ends, ``bar`` as a grey region, ``limit`` dashed.
    """
    middle = ROW_PX / 2
    parts = []
    for tick in axis.ticks:
        x = axis.at(tick)
        parts.append(f'<line x1="{x}" x2="{x}" y1="0" y2="{ROW_PX}" class="grid"/>')
    if bar:
        left, right = axis.at(bar[0]), axis.at(bar[1])
        width = float(right[:-1]) - float(left[:-1])
        parts.append(
            f'<rect x="{left}" y="5" width="{width:.2f}%" height="{ROW_PX - 10}" class="scatter"/>'
        )
    if limit is not None:
        x = axis.at(limit)
        parts.append(f'<line x1="{x}" x2="{x}" y1="-1" y2="{ROW_PX + 1}" class="limit"/>')
    if interval:
        left, right = axis.at(interval[0]), axis.at(interval[1])
        parts.append(
            f'<line x1="{left}" x2="{right}" y1="{middle}" y2="{middle}" class="whisker"/>'
            + "".join(
                f'<line x1="{x}" x2="{x}" y1="{middle - 5}" y2="{middle + 5}" class="whisker"/>'
                for x in (left, right)
            )
        )
    for shape, value in marks:
        parts.append(mark(shape, axis.at(value), middle, DARK if shape == "print" else "#fff"))
    return (
        f'<svg class="strip" height="{ROW_PX}" role="img" aria-label="{described}">'
        f"{''.join(parts)}</svg>"
    )


def budget_bar(parts: Sequence[tuple[str, float]]) -> str:
    """A bar cut into parts (words, length); each has its own grey and its words below."""
    total = sum(length for _, length in parts) or 1.0
    out, at = [], 0.0
    for i, (words, length) in enumerate(parts):
        width = 100 * length / total
        foot, side = 40 + 16 * i, "end" if at > 50 else "start"
        x = f"{at + width if at > 50 else at:.2f}%"
        out.append(
            f'<rect x="{at:.2f}%" y="2" width="{width:.2f}%" height="22" class="part p{i}"/>'
            f'<line x1="{x}" x2="{x}" y1="2" y2="{foot - 11}" class="axis"/>'
            f'<text x="{x}" y="{foot}" class="{side}">{words}</text>'
        )
        at += width
    return (
        f'<svg class="strip" height="{30 + 16 * len(parts)}" role="img" '
        f'aria-label="{"; ".join(words for words, _ in parts)}">{"".join(out)}</svg>'
    )


def histogram(counts: np.ndarray, trials: float, title: str) -> str:
    """PIT counts in equal bins, with the range honest forecasts keep to 95 times in 100.

    ``trials``: independent cases the counts are worth.
    """
    width, height, foot = 150, 74, 30
    share = counts / max(1, counts.sum())
    low, high = binomial_band(trials, 1 / len(counts))
    top = max(high, float(share.max())) * 1.08
    step = width / len(counts)
    parts = []
    for i, value in enumerate(share):
        tall = height * float(value) / top
        parts.append(
            f'<rect x="{i * step + 1:.1f}" y="{height - tall:.1f}" width="{step - 2:.1f}" '
            f'height="{tall:.1f}" class="column"/>'
        )
    for value in (low, high):
        y = height * (1 - value / top)
        parts.append(f'<path d="M0 {y:.1f}H{width}" class="limit"/>')
    parts.append(f'<path d="M0 {height}H{width}" class="axis"/>')
    parts.append(f'<text x="0" y="{height + 15}">low</text>')
    parts.append(f'<text x="{width}" y="{height + 15}" class="end">high</text>')
    said = ", ".join(f"{100 * v:.0f}" for v in share)
    return (
        f'<figure class="pit"><figcaption>{title}</figcaption>'
        f'<svg width="{width}" height="{height + foot - 10}" role="img" '
        f'aria-label="Share of prints from low to high in percent: {said}">'
        f"{''.join(parts)}</svg></figure>"
    )


def reliability_plot(table: pd.DataFrame, title: str) -> str:
    """Stated chances across, observed shares up; on the dashed diagonal they agree."""
    frame = _Frame((0.0, 1.0), (0.0, 1.0))
    quarters = (0, 0.25, 0.5, 0.75, 1)
    parts = frame.grid(quarters, quarters, lambda v: f"{100 * v:.0f}", lambda v: f"{100 * v:.0f}")
    parts.append(f'<path d="M{frame.x(0)} {frame.y(0)}L{frame.x(1)} {frame.y(1)}" class="limit"/>')
    for row in table.itertuples():
        parts.append(frame.whisker(row.stated, row.lo, row.hi))
    for row in table.itertuples():
        shape = "print" if row.holds else "bucket"
        fill = DARK if row.holds else "#fff"
        parts.append(mark(shape, frame.x(row.stated), frame.y(row.observed), fill))
    said = "; ".join(
        f"{100 * r.stated:.0f} came {100 * r.observed:.0f}" for r in table.itertuples()
    )
    return frame.close(parts, title, "stated chance, %", f"Reliability in percent: {said}")


def curve_plot(
    points: Sequence[tuple[float, float, float, float]],
    title: str,
    write: Callable[[float], str],
    *,
    bottom: float = 0.0,
    top: float | None = None,
    limit: float | None = None,
) -> str:
    """Points (prints, value, low, high) on a logarithmic axis of prints, joined.

    The last point is the whole history and not a refit: an open square, not joined.
    """
    n = [p[0] for p in points]
    highest = max(p[3] for p in points) if top is None else top
    frame = _Frame((np.log(min(n)) - 0.15, np.log(max(n)) + 0.15), (bottom, highest * 1.05))
    step = next(s for s in (0.05, 0.1, 0.2, 0.25, 0.5, 1, 2, 5, 10) if (highest - bottom) / s <= 5)
    ups = np.arange(np.ceil(bottom / step - 1e-9), np.floor(highest * 1.05 / step) + 1) * step + 0.0
    across = [v for v in (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000)]
    across = [v for v in across if frame.across[0] <= np.log(v) <= frame.across[1]]
    parts = frame.grid([np.log(v) for v in across], ups, lambda v: f"{np.exp(v):.0f}", write)
    if limit is not None:
        parts.append(
            f'<path d="M{frame.x(frame.across[0])} {frame.y(limit)}h{frame.wide}" class="limit"/>'
        )
    joined = "L".join(f"{frame.x(np.log(a))} {frame.y(b)}" for a, b, *_ in points[:-1])
    if joined:
        parts.append(f'<path d="M{joined}" class="curve"/>')
    parts += [frame.whisker(np.log(a), low, high) for a, _, low, high in points]
    for i, (a, b, *_) in enumerate(points):
        last = i == len(points) - 1
        parts.append(
            mark(
                "bucket" if last else "print",
                frame.x(np.log(a)),
                frame.y(b),
                "#fff" if last else DARK,
            )
        )
    said = "; ".join(f"{a:.0f} prints {write(b)}" for a, b, *_ in points)
    return frame.close(parts, title, "prints in the history", f"{title}: {said}")


@dataclass(frozen=True)
class _Frame:
    """A plot's field and its two scales."""

    across: tuple[float, float]
    up: tuple[float, float]

    @property
    def wide(self) -> int:
        return PLOT_PX - LEFT_PX - RIGHT_PX

    def x(self, value: float) -> float:
        low, high = self.across
        return round(LEFT_PX + self.wide * (value - low) / (high - low), 1)

    def y(self, value: float) -> float:
        low, high = self.up
        inside = float(np.clip(value, low, high))
        tall = HEIGHT_PX - TOP_PX - FOOT_PX
        return round(TOP_PX + tall * (high - inside) / (high - low), 1)

    def grid(
        self,
        across: Sequence[float],
        up: Sequence[float],
        write_across: Callable[[float], str],
        write_up: Callable[[float], str],
    ) -> list[str]:
        tall = HEIGHT_PX - TOP_PX - FOOT_PX
        parts = [
            f'<rect x="{LEFT_PX}" y="{TOP_PX}" width="{self.wide}" height="{tall}" class="field"/>'
        ]
        for v in across:
            parts.append(
                f'<path d="M{self.x(v)} {TOP_PX}v{tall}" class="grid"/>'
                f'<text x="{self.x(v)}" y="{TOP_PX + tall + 15}" class="mid">'
                f"{write_across(v)}</text>"
            )
        for v in up:
            parts.append(
                f'<path d="M{LEFT_PX} {self.y(v)}h{self.wide}" class="grid"/>'
                f'<text x="{LEFT_PX - 5}" y="{self.y(v) + 4}" class="end">{write_up(v)}</text>'
            )
        return parts

    def whisker(self, at: float, low: float, high: float) -> str:
        x, top, foot = self.x(at), self.y(high), self.y(low)
        return f'<path d="M{x - 4} {top}h8M{x} {top}V{foot}M{x - 4} {foot}h8" class="whisker"/>'

    def close(self, parts: Sequence[str], title: str, below: str, described: str) -> str:
        words = (
            f'<text x="{LEFT_PX + self.wide / 2}" y="{HEIGHT_PX - 6}" class="mid">{below}</text>'
        )
        return (
            f'<figure class="plot"><figcaption>{title}</figcaption>'
            f'<svg viewBox="0 0 {PLOT_PX} {HEIGHT_PX}" role="img" aria-label="{described}">'
            f"{''.join(parts)}{words}</svg></figure>"
        )
