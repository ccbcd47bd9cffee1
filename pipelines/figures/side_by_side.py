"""Set-ups side by side: swatches of each, and how far it lies from bucket and target."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from learn.colour.colorimetry import Viewing, srgb_hex, viewing
from learn.predict.causes import ENDS
from learn.shop import ShopSettings
from pipelines.figures.canvas import CROSS, DARK, LIMIT, SQUARE, WHISKER, style, write
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_ROWS = 24  # in one figure
# Swatches from left to right: prefix of their Lab columns, and their words.
SWATCHES = (
    ("bucket_", "bucket"),
    (ENDS[0], "at worst"),
    ("", "print"),
    (ENDS[1], "or like this"),
    ("target_", "target"),
)
GOALS = (("target", "target", CROSS), ("bucket", "shift", SQUARE))
INCHES_A_ROW = 0.62


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
        self.aimed = all(_has(row, "target_dE00") for row in self.rows)

    @property
    def described(self) -> str:
        """The numbers of the chart in words."""
        told = []
        for i, (row, label) in enumerate(zip(self.rows, self.labels, strict=True)):
            off = [
                f"{row[f'{key}_dE00']:.1f} dE00 from the {goal}"
                for goal, key, _ in GOALS
                if goal == "bucket" or self.aimed
            ]
            told.append(f"{i + 1}, {label}: {', '.join(off)}")
        return "; ".join(told)

    def plot(self) -> SideBySideDisplay:
        """Draw: a square the bucket, a cross the target; lines are 90 % intervals."""
        from matplotlib.figure import Figure

        n = len(self.rows)
        with style():
            figure = Figure(figsize=(8.2, INCHES_A_ROW * n + 1.0), layout="constrained")
            left, right = figure.subplots(1, 2, sharey=True, width_ratios=(3, 2))
            self._swatches(left)
            self._differences(right)
            left.set(ylim=(n - 0.4, -0.75), yticks=[])
        self.figure_: Figure = figure
        return self

    def _swatches(self, ax: Axes) -> None:
        from matplotlib.patches import Rectangle

        shown = [one for one in SWATCHES if one[0] != "target_" or self.aimed]
        for i, (row, label) in enumerate(zip(self.rows, self.labels, strict=True)):
            ax.text(0, i - 0.32, f"{i + 1}  {label}", va="bottom", color=DARK)
            for x, (prefix, _) in enumerate(shown):
                fill = str(srgb_hex([row[prefix + c] for c in "Lab"], self.view))
                ax.add_patch(Rectangle((x, i - 0.28), 1, 0.5, fc=fill, ec="none"))
        for x, (_, words) in enumerate(shown):
            ax.text(x + 0.5, len(self.rows) - 0.7, words, ha="center", va="top", color="#333333")
        ax.set(xlim=(0, len(shown)), xticks=[])
        ax.grid(visible=False)
        for side in ax.spines.values():
            side.set_visible(False)

    def _differences(self, ax: Axes) -> None:
        goals = [one for one in GOALS if one[0] == "bucket" or self.aimed]
        for k, (goal, key, mark) in enumerate(goals):
            y = [i - 0.12 + 0.24 * k for i in range(len(self.rows))]
            middle, low, high = (
                [float(row[f"{key}_{part}"]) for row in self.rows] for part in ("dE00", "lo", "hi")
            )
            ax.hlines(y, low, high, color=WHISKER["color"], lw=WHISKER["lw"])
            ax.plot(middle, y, ls="none", label=f"from the {goal}", **mark)
        if self.aimed:
            ax.axvline(self.tolerance_dE00, label="tolerance", **LIMIT)
        ax.set_xlim(left=0)
        ax.set_xlabel("dE00, with 90 % interval")
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


def _has(row: Mapping, key: str) -> bool:
    return row.get(key) is not None and row[key] == row[key]
