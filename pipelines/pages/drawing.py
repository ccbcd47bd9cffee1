"""The small drawings of the prediction page, as inline SVG.

Marks differ by shape, never by colour alone: a square is the bucket, a disc the print, a cross
the target. Everything but the marks is neutral grey, so that nothing beside a colour tints it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from learn.colour.colorimetry import delta_e00
from learn.normal import Z90
from pipelines.words.prediction import number

# Radius holding 90 % of a two-dimensional normal distribution: sqrt of chi2(2) at 0.90.
ELLIPSE90 = 2.1460

PLANE_PX = 232  # side of the a*b* plane; the lightness scale has the same height
SCALE_PX = 172  # width of the lightness scale
MARGIN_PX = 34  # room for tick labels on the left and below
TOP_PX = 20  # room for the name of the axis
EDGE = 0.93  # where in a view, of its half-width, a colour beyond it is put
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


def mark(shape: str, x: float | str, y: float | str, fill: str = "#fff") -> str:
    """``bucket`` a square, ``print`` a disc, ``target`` a cross; x and y may be percentages."""
    if shape == "target":
        arms = "M-7 0H7M0 -7V7"
        body = f'<path d="{arms}" class="halo"/><path d="{arms}" class="cross"/>'
    elif shape == "bucket":
        body = f'<rect x="-5.5" y="-5.5" width="11" height="11" fill="{fill}" class="mark"/>'
    else:
        body = f'<circle r="5.5" fill="{fill}" class="mark"/>'
    # A nested svg, unlike a transform, accepts percentages.
    return f'<svg x="{x}" y="{y}" class="at">{body}</svg>'


def key(shape: str) -> str:
    """The mark on its own, to stand before a word."""
    return f'<svg class="key" width="16" height="16" aria-hidden="true">{mark(shape, 8, 8)}</svg>'


_SIGNS = {
    "change": "M2 5.5h11M10 2.5l3 3-3 3M14 11.5H3M6 8.5l-3 3 3 3",  # two arrows: change about
    "test": "M3 2h7l3 3v9H3zM10 2v3h3M5.5 8.5h5M5.5 11h5",  # a sheet with its corner turned up
    "no_target": "M8 2.5a5.5 5.5 0 1 0 .01 0M8 5v3.5M8 10.5v1",  # a ring round a mark: no aim yet
    "go": "M2.5 8.5l4 4 7-9",  # a tick
}


def verdict_sign(kind: str) -> str:
    """The sign of a kind of answer (`words.verdict.HEADLINES`), told apart by its shape."""
    path = _SIGNS[kind]
    return f'<svg class="sign" width="16" height="16" aria-hidden="true"><path d="{path}"/></svg>'


def strip_end(largest: float) -> float:
    """Right end of the difference axis: the first tick that holds ``largest``, at least 5."""
    return next((tick for tick in STRIP_TICKS if tick >= max(largest, 5)), STRIP_TICKS[-1])


def difference_strip(
    rows: Sequence[tuple[str, str, float, float, float]], tolerance: float, end: float
) -> str:
    """Colour differences with their 90 % intervals on one axis, the tolerance across the target.

    ``rows`` holds (words, mark shape, middle, low, high) in dE00, that of the target first if
    there is one; a shift from the bucket has no tolerance to keep. Spacing follows the square
    root: differences near the tolerance get the room, large ones still fit.
    """

    def at(value: float) -> str:
        return f"{100 * np.sqrt(np.clip(value, 0, end) / end):.2f}%"

    step, foot = STRIP_ROW_PX, STRIP_ROW_PX * len(rows)
    aimed = rows[0][1] == "target"
    parts = [f'<line x1="0" x2="100%" y1="{foot}" y2="{foot}" class="axis"/>']
    if aimed:
        parts.append(f'<rect x="0" y="0" width="{at(tolerance)}" height="{step}" class="within"/>')
    for tick in (tick for tick in STRIP_TICKS if tick <= end):
        x = at(tick)
        parts.append(f'<line x1="{x}" x2="{x}" y1="0" y2="{foot + 4}" class="grid"/>')
        parts.append(f'<text x="{x}" y="{foot + 17}" class="mid">{tick:g}</text>')
    if aimed:
        x = at(tolerance)
        parts.append(f'<line x1="{x}" x2="{x}" y1="-4" y2="{step}" class="limit"/>')
        parts.append(f'<text x="{x}" y="-8" class="mid">tolerance {tolerance:g}</text>')
    for index, (words, shape, middle, low, high) in enumerate(rows):
        y = step * index + step / 2
        parts.append(f'<text x="-10" y="{y + 4}" class="end">{words}</text>')
        parts.append(
            f'<line x1="{at(low)}" x2="{at(high)}" y1="{y}" y2="{y}" class="band"/>'
            + mark(shape, at(middle), y)
        )
    described = "; ".join(
        f"{w} {number(m)}, 90 % {number(a)} to {number(b)}" for w, _, m, a, b in rows
    )
    limit = f" Tolerance {tolerance:g}." if aimed else ""
    return (
        f'<svg class="strip" height="{foot + 22}" role="img" '
        f'aria-label="Colour difference dE00. {described}.{limit}">'
        f"{''.join(parts)}</svg>"
    )


def colour_views(
    printed: Colour,
    sd: tuple[float, float, float],
    bucket: Colour | None,
    target: Colour | None,
    outline: np.ndarray | None,
) -> str:
    """The a*b* plane and the lightness scale side by side, drawn to one scale.

    ``sd`` is the standard deviation of L, a, b of the print; ``outline`` (m, 3) the tolerance
    around the target as ``tolerance_outline`` gives it, lighter and darker first. A bucket so far
    off that it would shrink the rest to a dot is put at the edge and called *beyond*.
    """
    centre = np.array(printed.lab)
    reach = np.array([Z90 * sd[0], ELLIPSE90 * sd[1], ELLIPSE90 * sd[2]])
    core = [centre - reach, centre + reach, *([] if outline is None else outline)]
    core += [np.array(target.lab)] if target else []
    middle, half = _window(core)
    if bucket:
        wide_middle, wide_half = _window([*core, np.array(bucket.lab)])
        if wide_half <= max(2.5 * half, 15.0):
            middle, half = wide_middle, wide_half
    drawn = {"bucket": bucket, "print": printed, "target": target}
    colours = {shape: colour for shape, colour in drawn.items() if colour}
    scene = _Scene(colours, reach, outline, middle, half)
    return _plane(scene) + _lightness(scene)


def _window(points: Sequence[np.ndarray]) -> tuple[np.ndarray, float]:
    """Centre (3,) and half-width of a cube in Lab that holds ``points`` with a margin."""
    low, high = np.min(points, axis=0), np.max(points, axis=0)
    return (low + high) / 2, max(4.0, 0.56 * float(np.max(high - low)))


def _ticks(middle: float, half: float) -> np.ndarray:
    """Round values inside ``middle +- half``, about four of them."""
    steps = np.array([1, 2, 5, 10, 20, 50])
    step = steps[np.argmin(np.abs(2 * half / steps - 4))]
    first, last = np.ceil((middle - half) / step), np.floor((middle + half) / step)
    return step * np.arange(first, last + 1) + 0.0  # + 0.0 turns -0 into 0


def _plane(scene: _Scene) -> str:
    middle, half, reach, outline = scene.middle, scene.half, scene.reach, scene.outline
    side = PLANE_PX - MARGIN_PX - 8
    left, top = MARGIN_PX, TOP_PX
    px = side / (2 * half)

    def x(a: float) -> float:
        return round(left + (a - middle[1] + half) * px, 1)

    def y(b: float) -> float:
        return round(top + (middle[2] + half - b) * px, 1)

    parts = [f'<rect x="{left}" y="{top}" width="{side}" height="{side}" class="field"/>']
    for tick in _ticks(middle[1], half):
        style = "neutral" if tick == 0 else "grid"
        parts.append(
            f'<path d="M{x(tick)} {top}v{side}" class="{style}"/>'
            f'<text x="{x(tick)}" y="{top + side + 14}" class="mid">{tick:.0f}</text>'
        )
    for tick in _ticks(middle[2], half):
        style = "neutral" if tick == 0 else "grid"
        parts.append(
            f'<path d="M{left} {y(tick)}h{side}" class="{style}"/>'
            f'<text x="{left - 5}" y="{y(tick) + 4}" class="end">{tick:.0f}</text>'
        )
    parts.append(
        f'<text x="{left + side}" y="{top + side + 28}" class="end">a* redder &#8594;</text>'
    )
    parts.append(f'<text x="{left}" y="{top + side + 28}">&#8592; greener</text>')
    parts.append(f'<text x="{left}" y="{top - 7}">b* &#8593; yellower</text>')
    if outline is not None:
        path = "L".join(f"{x(a)} {y(b)}" for _, a, b in outline[2:])
        parts.append(f'<path d="M{path}Z" class="limit"/>')
    _, a, b = scene.colours["print"].lab
    parts.append(
        f'<ellipse cx="{x(a)}" cy="{y(b)}" rx="{reach[1] * px:.1f}" ry="{reach[2] * px:.1f}" '
        'class="region"/>'
    )
    for shape, colour in scene.colours.items():
        off = (np.array(colour.lab) - middle)[1:] / half
        beyond = np.abs(off).max() > 1
        if beyond:
            off *= EDGE / np.abs(off).max()
        a, b = middle[1:] + half * off
        if beyond:
            side_of_mark = "end" if off[0] > 0 else "start"
            drop = 20 if off[1] > 0 else -11
            parts.append(f'<text x="{x(a)}" y="{y(b) + drop}" class="{side_of_mark}">beyond</text>')
        parts.append(mark(shape, x(a), y(b), colour.fill))
    return (
        f'<svg class="view" width="{PLANE_PX}" height="{PLANE_PX + TOP_PX}" role="img" '
        f'aria-label="a* b* plane">{"".join(parts)}</svg>'
    )


def _lightness(scene: _Scene) -> str:
    middle, half, reach, outline = scene.middle, scene.half, scene.reach, scene.outline
    side = PLANE_PX - MARGIN_PX - 8
    left, top, width = MARGIN_PX, TOP_PX, SCALE_PX - MARGIN_PX - 8
    px = side / (2 * half)

    def y(lightness: float) -> float:
        return round(top + (middle[0] + half - lightness) * px, 1)

    parts = [f'<rect x="{left}" y="{top}" width="{width}" height="{side}" class="field"/>']
    for tick in _ticks(middle[0], half):
        if 0 <= tick <= 100:
            parts.append(
                f'<path d="M{left} {y(tick)}h{width}" class="grid"/>'
                f'<text x="{left - 5}" y="{y(tick) + 4}" class="end">{tick:.0f}</text>'
            )
    parts.append(f'<text x="{left}" y="{top - 7}">L* &#8593; lighter</text>')
    for index, (shape, colour) in enumerate(scene.colours.items()):
        x = round(left + width * (index + 0.5) / len(scene.colours), 1)
        off = (colour.lab[0] - middle[0]) / half
        beyond = abs(off) > 1
        height = y(middle[0] + half * (np.sign(off) * EDGE if beyond else off))
        if beyond:
            parts.append(f'<text x="{x + 10}" y="{height + 4}">beyond</text>')
        if shape == "print":
            parts.append(
                f'<rect x="{x - 7}" y="{y(colour.lab[0] + reach[0])}" width="14" '
                f'height="{2 * reach[0] * px:.1f}" class="region"/>'
            )
        if shape == "target" and outline is not None:
            upper, lower = y(outline[0, 0]), y(outline[1, 0])
            parts.append(
                f'<path d="M{x - 10} {upper}H{x + 10}M{x - 10} {lower}H{x + 10}'
                f'M{x} {upper}V{lower}" class="limit"/>'
            )
        parts.append(mark(shape, x, height, colour.fill))
        parts.append(f'<text x="{x}" y="{top + side + 14}" class="mid">{shape}</text>')
    return (
        f'<svg class="view" width="{SCALE_PX}" height="{PLANE_PX + TOP_PX}" role="img" '
        f'aria-label="Lightness scale">{"".join(parts)}</svg>'
    )
