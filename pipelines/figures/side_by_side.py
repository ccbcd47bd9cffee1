"""Set-ups side by side: swatches of each, and how far it lies from bucket and target."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from learn.colour.colorimetry import Viewing, srgb_hex, viewing
from learn.predict.causes import ENDS
from learn.shop import ShopSettings
from pipelines.figures.canvas import (
    CROSS,
    DARK,
    LIGHT,
    LIMIT,
    LINE_INCHES,
    SQUARE,
    WHISKER,
    style,
    wrapped,
    write,
)
from pipelines.words.prediction import difference
from pipelines.words.verdict import TOO_LITTLE
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_ROWS = 24  # in one figure
UNTOLD = "too little is known"
ONE_HEADING = 5  # rows up to which headings above them are enough
# Swatches from left to right: prefix of their Lab columns, and their words.
SWATCHES = (
    ("bucket_", "bucket"),
    (ENDS[0], "at worst"),
    ("", "print"),
    (ENDS[1], "or like this"),
    ("target_", "target"),
)
GOALS = (("target", "target", CROSS), ("bucket", "shift", SQUARE))
# In inches: of the figure, its margin, swatches and the chart beside them; what stands above and
# below the rows; of a row, its swatches below its label, and the gap to the next.
WIDE, MARGIN, SWATCHES_WIDE, CHART_FROM = 8.6, 0.15, 4.9, 5.3
ABOVE, BELOW = 0.62, 0.6
SWATCH, GAP = 0.32, 0.14


def refuse_count(n_setups: int) -> None:
    """Raises UserError for more than one figure has room for."""
    if n_setups > MOST_ROWS:
        raise UserError(
            f"--figure has room for {MOST_ROWS} set-ups, and {n_setups} are given; leave some out, "
            "or take --page."
        )


class SideBySideDisplay:
    """Rows of swatches, and beside them dE00 to bucket and target with their 90 % intervals.

    Parameters
    ----------
    rows : predictions, with ``target_L``, ``target_a``, ``target_b`` where there is a target
    labels : what to call each
    tolerance_dE00 : dashed, where there is a target
    """

    def __init__(
        self,
        rows: Sequence[Mapping],
        labels: Sequence[str],
        *,
        tolerance_dE00: float = 2.0,
        view: Viewing | None = None,
    ) -> None:
        self.rows, self.labels = list(rows), list(labels)
        self.tolerance_dE00, self.view = tolerance_dE00, view or viewing()
        self.aimed = all(difference(row, "target") is not None for row in self.rows)

    @property
    def described(self) -> str:
        """The numbers of the chart in words."""
        told = []
        for i, (row, label) in enumerate(zip(self.rows, self.labels, strict=True)):
            off = [
                f"{apart:.1f} dE00 from the {goal}"
                for goal, key, _ in GOALS
                if (apart := difference(row, key)) is not None
            ]
            told.append(f"{i + 1}, {label}: {', '.join(off) or TOO_LITTLE.lower()}")
        return "; ".join(told)

    def plot(self) -> SideBySideDisplay:
        """Draw: a square the bucket, a cross the target; lines are 90 % intervals. Labels take
        the lines they need, and the figure the height its rows need."""
        from matplotlib.figure import Figure

        told = [f"{i + 1}  {label}" for i, label in enumerate(self.labels)]
        told = [wrapped(words, SWATCHES_WIDE) for words in told]
        high = [LINE_INCHES * (1 + words.count("\n")) + SWATCH + GAP for words in told]
        tops = [sum(high[:i]) for i in range(len(high))]
        middles = [top + each - GAP - SWATCH / 2 for top, each in zip(tops, high, strict=True)]
        tall = ABOVE + sum(high) + BELOW
        with style():
            figure = Figure(figsize=(WIDE, tall))
            bottom, up = BELOW / tall, sum(high) / tall
            wide = (SWATCHES_WIDE / WIDE, (WIDE - MARGIN - CHART_FROM) / WIDE)
            left = figure.add_axes((MARGIN / WIDE, bottom, wide[0], up))
            right = figure.add_axes((CHART_FROM / WIDE, bottom, wide[1], up), sharey=left)
            self._swatches(left, told, tops, middles)
            self._differences(right, middles)
            left.set_ylim(sum(high), 0)
        self.figure_: Figure = figure
        return self

    def _swatches(
        self, ax: Axes, told: Sequence[str], tops: Sequence[float], middles: Sequence[float]
    ) -> None:
        from matplotlib.patches import Rectangle

        shown = [one for one in SWATCHES if one[0] != "target_" or self.aimed]
        for row, words, top, y in zip(self.rows, told, tops, middles, strict=True):
            ax.text(0, top, words, va="top", color=DARK, linespacing=1.15)
            for x, (prefix, _) in enumerate(shown):
                fill = str(srgb_hex([row[prefix + c] for c in "Lab"], self.view))
                ax.add_patch(Rectangle((x, y - SWATCH / 2), 1, SWATCH, fc=fill, ec="none"))
            all_of_them = Rectangle((0, y - SWATCH / 2), len(shown), SWATCH, fc="none", ec=LIGHT)
            ax.add_patch(all_of_them)  # a white print on a white page
        place: dict[str, Any] = {"textcoords": "offset points", "ha": "center", "color": "#333333"}
        place["xycoords"] = ("data", "axes fraction")
        headings = [(1, 5, "bottom"), (0, -5, "top")][: 1 if len(self.rows) <= ONE_HEADING else 2]
        for at, away, va in headings:
            for x, (_, words) in enumerate(shown):
                ax.annotate(words, (x + 0.5, at), (0, away), va=va, **place)
        ax.set(xlim=(0, len(shown)), xticks=[])
        ax.tick_params(left=False, labelleft=False)
        ax.grid(visible=False)
        for side in ax.spines.values():
            side.set_visible(False)

    def _differences(self, ax: Axes, middles: Sequence[float]) -> None:
        goals = [one for one in GOALS if one[0] == "bucket" or self.aimed]
        for k, (goal, key, mark) in enumerate(goals):
            apart = SWATCH / 2 if len(goals) > 1 else 0.0
            told = [i for i, row in enumerate(self.rows) if difference(row, key) is not None]
            at = [middle + apart * (k - 0.5) for middle in middles]
            for i in set(range(len(at))) - set(told):
                ax.text(0.03, at[i], UNTOLD, va="center", transform=ax.get_yaxis_transform())
            y = [at[i] for i in told]
            middle, low, high = (
                [float(self.rows[i][f"{key}_{part}"]) for i in told]
                for part in ("dE00", "lo", "hi")
            )
            ax.hlines(y, low, high, color=WHISKER["color"], lw=WHISKER["lw"])
            ax.plot(middle, y, ls="none", clip_on=False, label=f"from the {goal}", **mark)
        if self.aimed:
            ax.axvline(self.tolerance_dE00, label="tolerance", **LIMIT)
        ax.set_xlim(left=0)
        ax.set_xlabel("dE00, with 90 % interval")
        ax.tick_params(left=False, labelleft=False)
        ax.grid(visible=False, axis="y")
        ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2, frameon=False)


def write_figure(
    path: Path, rows: Sequence[Mapping], labels: Sequence[str], settings: ShopSettings
) -> None:
    """Write set-ups side by side to ``path``."""
    own = rows[0].get("tolerance_dE00")
    display = SideBySideDisplay(
        rows,
        labels,
        tolerance_dE00=settings.tolerance_dE00 if own is None or own != own else float(own),
        view=viewing(settings.illuminant, settings.observer),
    ).plot()
    write(path, display.figure_, f"Set-ups side by side, {settings.name}", display.described)
