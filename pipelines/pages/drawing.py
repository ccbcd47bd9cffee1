"""Where the marks of the prediction page's small drawings lie; templates draw them.

Every set-up has three of them, so they are written by the templates themselves: matplotlib takes
50 ms and 17 kB for each card, which makes a second and half a megabyte of a week's 24 set-ups.
Marks differ by shape, never by colour alone: a square is the bucket, a disc the print, a cross
the target. Everything but the marks is neutral grey, so that nothing beside a colour tints it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from learn.normal import Z90
from pipelines.figures.plane import EDGE, ELLIPSE90, tick_step, window
from pipelines.words.common import number

PLANE_PX = 232  # side of the a*b* plane; the lightness scale has the same height
SCALE_PX = 172  # width of the lightness scale
MARGIN_PX = 34  # room for tick labels on the left and below
TOP_PX = 20  # room for the name of the axis
SIDE_PX = PLANE_PX - MARGIN_PX - 8  # of the field itself
STRIP_ROW_PX = 25
STRIP_TICKS = [0, 0.5, 1, 2, 3, 5, 7, 10, 15, 20, 30, 40, 60, 80, 100]


@dataclass(frozen=True)
class Colour:
    """A colour to draw: Lab and the sRGB fill of its mark."""

    lab: tuple[float, float, float]
    fill: str


@dataclass(frozen=True)
class _Scene:
    """What both views of one set-up show, and the cube of Lab they show it in."""

    colours: dict[str, Colour]
    reach: np.ndarray  # (3,) half-widths of the 90 % band in L and ellipse in a, b
    outline: np.ndarray | None
    middle: np.ndarray  # (3,)
    half: float

    @property
    def band(self) -> np.ndarray:
        """Half-widths (3,) of the 90 % band of each number by itself, as all else tells it."""
        return self.reach * [1.0, Z90 / ELLIPSE90, Z90 / ELLIPSE90]


def strip_end(largest: float) -> float:
    """Right end of the difference axis: the first tick that holds ``largest``, at least 5."""
    return next((tick for tick in STRIP_TICKS if tick >= max(largest, 5)), STRIP_TICKS[-1])


def difference_strip(
    rows: Sequence[tuple[str, str, float, float, float]], tolerance: float, end: float
) -> dict:
    """Colour differences with their 90 % intervals on one axis, the tolerance across the target.

    ``rows`` holds (words, mark shape, middle, low, high) in dE00, that of the target first if
    there is one; a shift from the bucket has no tolerance to keep. Spacing follows the square
    root: differences near the tolerance get the room, large ones still fit.
    """

    def at(value: float) -> str:
        return f"{100 * np.sqrt(np.clip(value, 0, end) / end):.2f}%"

    aimed = rows[0][1] == "target"
    said = [f"{w} {number(m)}, 90 % {number(a)} to {number(b)}" for w, _, m, a, b in rows]
    if aimed:
        said.append(f"tolerance {tolerance:g}")
    return {
        "step": STRIP_ROW_PX,
        "foot": STRIP_ROW_PX * len(rows),
        "tolerance": {"x": at(tolerance), "words": f"{tolerance:g}"} if aimed else None,
        "ticks": [(at(tick), f"{tick:g}") for tick in STRIP_TICKS if tick <= end],
        "rows": [
            {
                "words": words,
                "shape": shape,
                "y": STRIP_ROW_PX * (i + 0.5),
                "middle": at(middle),
                "low": at(low),
                "high": at(high),
            }
            for i, (words, shape, middle, low, high) in enumerate(rows)
        ],
        "described": "; ".join(said),
    }


def colour_views(
    printed: Colour,
    sd: tuple[float, float, float],
    bucket: Colour | None,
    target: Colour | None,
    outline: np.ndarray | None,
) -> dict:
    """The a*b* plane and the lightness scale side by side, drawn to one scale.

    ``sd`` is the standard deviation of L, a, b of the print; ``outline`` (m, 3) the tolerance
    around the target as ``tolerance_outline`` gives it, lighter and darker first. A bucket so far
    off that it would shrink the rest to a dot is put at the edge and called *beyond*.
    """
    reach = np.array([Z90 * sd[0], ELLIPSE90 * sd[1], ELLIPSE90 * sd[2]])
    drawn = {"bucket": bucket, "print": printed, "target": target}
    colours = {shape: colour for shape, colour in drawn.items() if colour}
    labs = {shape: np.array(colour.lab) for shape, colour in colours.items()}
    middle, half = window(labs, reach, outline)
    scene = _Scene(colours, reach, outline, middle, half)
    return {
        "left": MARGIN_PX,
        "top": TOP_PX,
        "side": SIDE_PX,
        "foot": TOP_PX + SIDE_PX,
        "height": PLANE_PX + TOP_PX,
        "plane": _plane(scene),
        "scale": _lightness(scene),
    }


def _ticks(middle: float, half: float) -> np.ndarray:
    """Round values inside ``middle +- half``, about four of them."""
    step = tick_step(half)
    first, last = np.ceil((middle - half) / step), np.floor((middle + half) / step)
    return step * np.arange(first, last + 1) + 0.0  # + 0.0 turns -0 into 0


def _said(scene: _Scene, channels: str) -> str:
    """The numbers of a view in words: each colour's coordinates, the print's with its band."""
    at = ["Lab".index(channel) for channel in channels]
    words = []
    for shape, colour in scene.colours.items():
        cells = [f"{'Lab'[i]}* {number(colour.lab[i])}" for i in at]
        if shape == "print":
            cells = [
                f"{cell} +- {number(scene.band[i])}" for cell, i in zip(cells, at, strict=True)
            ]
        words.append(f"{shape} {', '.join(cells)}")
    return "; ".join(words)


def _plane(scene: _Scene) -> dict:
    middle, half, reach, outline = scene.middle, scene.half, scene.reach, scene.outline
    px = SIDE_PX / (2 * half)

    def x(a: float) -> float:
        return round(float(MARGIN_PX + (a - middle[1] + half) * px), 1)

    def y(b: float) -> float:
        return round(float(TOP_PX + (middle[2] + half - b) * px), 1)

    def line(tick: float) -> tuple[str, str]:
        return f"{tick:.0f}", "neutral" if tick == 0 else "grid"

    marks = []
    for shape, colour in scene.colours.items():
        off = (np.array(colour.lab) - middle)[1:] / half
        beyond = bool(np.abs(off).max() > 1)
        if beyond:
            off *= EDGE / np.abs(off).max()
        at_x, at_y = x(middle[1] + half * off[0]), y(middle[2] + half * off[1])
        mark = {"shape": shape, "x": at_x, "y": at_y, "fill": colour.fill, "beyond": beyond}
        if beyond:
            below = at_y + (20 if off[1] > 0 else -11)
            mark["word"] = (at_x, below, "end" if off[0] > 0 else "start")
        marks.append(mark)
    _, a, b = scene.colours["print"].lab
    ring = None if outline is None else "L".join(f"{x(a)} {y(b)}" for _, a, b in outline[2:])
    return {
        "width": PLANE_PX,
        "across": [(x(tick), *line(tick)) for tick in _ticks(middle[1], half)],
        "up": [(y(tick), *line(tick)) for tick in _ticks(middle[2], half)],
        "outline": ring and f"M{ring}Z",
        "centre": (x(a), y(b)),
        "radii": (round(float(reach[1] * px), 1), round(float(reach[2] * px), 1)),
        "marks": marks,
        "described": _said(scene, "ab"),
    }


def _lightness(scene: _Scene) -> dict:
    middle, half, reach, outline = scene.middle, scene.half, scene.reach, scene.outline
    px, wide = SIDE_PX / (2 * half), SCALE_PX - MARGIN_PX - 8

    def y(lightness: float) -> float:
        return round(float(TOP_PX + (middle[0] + half - lightness) * px), 1)

    marks, places = [], {}
    for index, (shape, colour) in enumerate(scene.colours.items()):
        x = places[shape] = round(MARGIN_PX + wide * (index + 0.5) / len(scene.colours), 1)
        off = float((colour.lab[0] - middle[0]) / half)
        beyond = abs(off) > 1
        height = y(middle[0] + half * (np.sign(off) * EDGE if beyond else off))
        mark = {"shape": shape, "x": x, "y": height, "fill": colour.fill, "beyond": beyond}
        marks.append(mark | {"word": (x + 10, height + 4, "start")})
    limit = None
    if "target" in places and outline is not None:
        limit = {"x": places["target"], "upper": y(outline[0, 0]), "lower": y(outline[1, 0])}
    upper = y(scene.colours["print"].lab[0] + reach[0])
    return {
        "width": SCALE_PX,
        "wide": wide,
        "up": [(y(tick), f"{tick:.0f}") for tick in _ticks(middle[0], half) if 0 <= tick <= 100],
        "band": {
            "x": places["print"],
            "y": upper,
            "height": round(float(2 * reach[0] * px), 1),
        },
        "limit": limit,
        "marks": marks,
        "described": _said(scene, "L"),
    }
