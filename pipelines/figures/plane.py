"""The a*b* plane of one set-up: print with its band, bucket, target with its tolerance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from learn.colour.colorimetry import Viewing, delta_e00, srgb_hex, viewing
from learn.normal import Z90
from pipelines.figures.canvas import (
    CROSS,
    DARK,
    DISC,
    LIMIT,
    LINE_INCHES,
    MIDDLE,
    SQUARE,
    figure_of,
    own_axes,
    style,
    titled,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from learn.predict.model import ShiftModel

# Radius holding 90 % of a two-dimensional normal distribution: sqrt of chi2(2) at 0.90.
ELLIPSE90 = 2.1460
EDGE = 0.93  # where in a view, of its half-width, a colour beyond it is put
PREFIXES = {"bucket": "bucket_", "print": "", "target": "target_"}
MARKS = {"bucket": SQUARE, "print": DISC, "target": CROSS}
MOST_PLANES = 60  # in one figure
# In inches: what a plane takes of a figure's width, its side, and what is left of it and below it.
CELL, SIDE, BESIDE, BELOW = 3.1, 2.25, 0.7, 0.55


def tolerance_outline(
    target: np.ndarray, tolerance: np.ndarray, directions: np.ndarray
) -> np.ndarray:
    """Points at CIEDE2000 distance ``tolerance`` from ``target`` along each direction.

    ``target`` (n, 3) Lab, ``tolerance`` (n,), ``directions`` (m, 3) unit vectors in Lab;
    returns (n, m, 3). Bisection: along a ray from the target the difference grows, and is
    nowhere less than a twelfth of the Lab distance within reach.
    """
    low = np.zeros((len(target), len(directions)))
    high = np.repeat(12.0 * np.asarray(tolerance, float)[:, None], len(directions), axis=1)
    start = np.broadcast_to(target[:, None, :], (*low.shape, 3))
    for _ in range(24):
        middle = (low + high) / 2
        inside = delta_e00(start, start + middle[..., None] * directions) < tolerance[:, None]
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return start + low[..., None] * directions


def outline_directions(n: int = 40) -> np.ndarray:
    """(n + 2, 3): lighter, darker, then ``n`` directions round the a*b* plane."""
    angle = 2 * np.pi * np.arange(n) / n
    plane = np.column_stack([np.zeros(n), np.cos(angle), np.sin(angle)])
    return np.vstack([[[1, 0, 0], [-1, 0, 0]], plane])


def window(
    labs: Mapping[str, np.ndarray], reach: np.ndarray, outline: np.ndarray | None
) -> tuple[np.ndarray, float]:
    """Centre (d,) and half-width of the part of Lab, or of the a*b* plane, to show.

    It holds the print of ``labs`` (d,) with its band ``reach`` (d,), the target with its tolerance
    ``outline`` (m, d), and the bucket unless that would shrink all else to a dot.
    """
    centre = labs["print"]
    core = [centre - reach, centre + reach, *([] if outline is None else outline)]
    core += [labs["target"]] if "target" in labs else []
    middle, half = _cube(core)
    if "bucket" in labs:
        wide_middle, wide_half = _cube([*core, labs["bucket"]])
        if wide_half <= max(2.5 * half, 15.0):
            return wide_middle, wide_half
    return middle, half


def _cube(points: Sequence[np.ndarray]) -> tuple[np.ndarray, float]:
    """Centre (d,) and half-width of a cube that holds ``points`` (d,) with a margin."""
    low, high = np.min(points, axis=0), np.max(points, axis=0)
    return (low + high) / 2, max(4.0, 0.56 * float(np.max(high - low)))


def tick_step(half: float) -> float:
    """Between round values, so that about four lie inside a view of that half-width."""
    steps = np.array([1, 2, 5, 10, 20, 50, 100, 200])
    return float(steps[np.argmin(np.abs(2 * half / steps - 4))])


class ColourPlaneDisplay:
    """Where a set-up's next print should fall in the a*b* plane, seen along L*.

    Parameters
    ----------
    labs : "print" and, where known, "bucket" and "target" -> Lab (3,)
    covariance : (3, 3) of the next print's Lab
    tolerance_dE00 : around the target
    name : what to call the set-up
    view : illuminant and observer of Lab, for the colours of the marks

    Attributes
    ----------
    ax_, figure_ : the axes and the figure drawn on
    """

    def __init__(
        self,
        labs: Mapping[str, ArrayLike],
        covariance: ArrayLike,
        *,
        tolerance_dE00: float = 2.0,
        name: str = "",
        view: Viewing | None = None,
    ) -> None:
        self.labs = {shape: np.asarray(lab, float) for shape, lab in labs.items()}
        self.covariance, self.tolerance_dE00 = np.asarray(covariance, float), tolerance_dE00
        self.name, self.view = name, view or viewing()

    @classmethod
    def from_predictions(
        cls,
        row: Mapping,
        *,
        tolerance_dE00: float = 2.0,
        name: str | None = None,
        view: Viewing | None = None,
    ) -> ColourPlaneDisplay:
        """Of one row of predictions, with ``target_L``, ``target_a``, ``target_b`` if it
        has any.

        Standard deviations only are in it: the band's ellipse stands upright.
        """
        labs = {s: [row.get(p + c, np.nan) for c in "Lab"] for s, p in PREFIXES.items()}
        known = {shape: lab for shape, lab in labs.items() if not pd.isna(lab).any()}
        own = row.get("tolerance_dE00")
        return cls(
            known,
            np.diag([float(row[f"{c}_sd"]) ** 2 for c in "Lab"]),
            tolerance_dE00=tolerance_dE00 if own is None or pd.isna(own) else float(own),
            name=str(row.get("setup_id", "")) if name is None else name,
            view=view,
        )

    @classmethod
    def from_model(cls, model: ShiftModel, setups: pd.DataFrame, at: int = 0) -> ColourPlaneDisplay:
        """Of row ``at`` of set-ups; how a* and b* move together tilts the ellipse."""
        one = setups.iloc[[at]].reset_index(drop=True)
        row = one.iloc[0].to_dict() | model.predict(one).iloc[0].to_dict()
        usual = model.settings_.tolerance_dE00
        display = cls.from_predictions(row, tolerance_dE00=usual, view=model.viewing_)
        display.covariance = model.predict_lab(one).covariance[0]
        return display

    @property
    def reach(self) -> np.ndarray:
        """Half-widths (2,) of the ellipse that holds 90 % of next prints, in a* and b*."""
        return ELLIPSE90 * np.sqrt(np.diag(self.covariance)[1:])

    @property
    def ellipse(self) -> np.ndarray:
        """Edge (m, 2) of the region that holds 90 % of next prints."""
        angle = np.linspace(0, 2 * np.pi, 121)
        circle = np.column_stack([np.cos(angle), np.sin(angle)])
        root = np.linalg.cholesky(self.covariance[1:, 1:] + 1e-12 * np.eye(2))
        return self.labs["print"][1:] + ELLIPSE90 * circle @ root.T

    @property
    def described(self) -> str:
        """The numbers of the chart in words, each with the band it has by itself."""
        cells, band = [], Z90 * np.sqrt(np.diag(self.covariance)[1:])
        for shape, (_, a, b) in self.labs.items():
            bands = [f" +- {r:.1f}" if shape == "print" else "" for r in band]
            cells.append(f"{shape} a* {a:.1f}{bands[0]}, b* {b:.1f}{bands[1]}")
        if "target" in self.labs:
            cells.append(f"tolerance {self.tolerance_dE00:g} dE00")
        return f"{self.name}: {'; '.join(cells)}" if self.name else "; ".join(cells)

    def plot(self, ax: Axes | None = None, *, title: str | None = None) -> ColourPlaneDisplay:
        """Draw: a square the bucket, a disc the print, a cross the target; shaded, where 90 % of
        next prints should fall; dashed, the tolerance. A bucket far off is put at the edge."""
        ring = None
        if "target" in self.labs:
            limit = np.array([self.tolerance_dE00])
            outline = tolerance_outline(self.labs["target"][None], limit, outline_directions())
            ring = outline[0, 2:, 1:]
        plane = {shape: lab[1:] for shape, lab in self.labs.items()}
        middle, half = window(plane, self.reach, ring)
        from matplotlib.ticker import MultipleLocator

        with style():
            self.ax_ = ax = own_axes(ax, (3.2, 3.2))
            self.figure_ = figure_of(ax)
            for line in (ax.axhline, ax.axvline):
                line(0, color="#8c8c8c", lw=0.8, zorder=1)
            if ring is not None:
                ax.plot(*np.vstack([ring, ring[:1]]).T, label="tolerance", **LIMIT)
            band = {"fc": MIDDLE, "ec": MIDDLE, "alpha": 0.3, "lw": 1}
            ax.fill(*self.ellipse.T, label="90 % of next prints", **band)
            for shape in self.labs:
                self._mark(ax, shape, plane[shape], middle, half)
            ax.set_xlim(middle[0] - half, middle[0] + half)
            ax.set_ylim(middle[1] - half, middle[1] + half)
            ax.set_aspect("equal")
            for axis in (ax.xaxis, ax.yaxis):
                axis.set_major_locator(MultipleLocator(tick_step(half)))
            ax.set(xlabel="a*  greener to redder", ylabel="b*  bluer to yellower")
            titled(ax, self.name if title is None else title)
        return self

    def _mark(self, ax: Axes, shape: str, ab: np.ndarray, middle: np.ndarray, half: float) -> None:
        off = (ab - middle) / half
        beyond = np.abs(off).max() > 1
        if beyond:
            off *= EDGE / np.abs(off).max()
        a, b = middle + half * off
        face = (
            {}
            if shape == "target"
            else {"mfc": str(srgb_hex(self.labs[shape], self.view)), "mew": 1.3}
        )
        ax.plot(a, b, ls="none", zorder=3, label=shape, **(MARKS[shape] | face))
        if beyond:
            side = "right" if off[0] > 0 else "left"
            away = (6 if off[0] > 0 else -6, -12 if off[1] > 0 else 12)
            told: dict[str, Any] = {"textcoords": "offset points", "ha": side, "va": "center"}
            halo = {"fc": "white", "ec": "none", "pad": 0.5, "alpha": 0.8}
            ax.annotate("beyond", (a, b), away, zorder=2.5, color=DARK, bbox=halo, **told)


def draw_planes(displays: Sequence[ColourPlaneDisplay], across: int = 4) -> tuple[Figure, str]:
    """Planes side by side with one key, and the numbers of all in words."""
    from matplotlib.figure import Figure

    columns = min(across, len(displays))
    rows = -(-len(displays) // columns)
    key_columns = {1: 2, 2: 3}.get(columns, 5)  # as many as there is room for
    with style():
        figure = Figure(figsize=(CELL * columns, CELL * rows))
        axes = [figure.add_axes((0.0, 0.0, SIDE / (CELL * columns), 0.5)) for _ in displays]
        marks: dict[str, Any] = {}
        for ax, display in zip(axes, displays, strict=True):
            display.plot(ax)
            handles, names = ax.get_legend_handles_labels()
            marks |= dict(zip(names, handles, strict=True))
        lines = max(1 + ax.get_title(loc="left").count("\n") for ax in axes)
        high = BELOW + SIDE + 0.15 + 1.3 * LINE_INCHES * lines
        tall = high * rows + 0.15 + 0.22 * -(-len(marks) // key_columns)
        figure.set_figheight(tall)
        for i, ax in enumerate(axes):
            row, column = divmod(i, columns)
            at = (
                (CELL * column + BESIDE) / (CELL * columns),
                (high * (rows - row - 1) + BELOW) / tall,
            )
            ax.set_position((*at, SIDE / (CELL * columns), SIDE / tall))
        place: dict[str, Any] = {"loc": "upper center", "bbox_to_anchor": (0.5, 1.0)}
        figure.legend(
            marks.values(), marks, ncols=key_columns, frameon=False, borderaxespad=0.2, **place
        )
    return figure, ". ".join(display.described for display in displays)
