"""A picture of flat colours in other colours: every pixel the mixture of what its colours become.

The edges of flat colours are smoothed: a pixel there is part one colour, part the other. How much
of each is read off the pixel, and its new colour is that mixture of the new colours, in linear
light as the eye mixes them. Pixels are sRGB of 8 bits; transparency is cover, 255 all of it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.colour.colorimetry import linear_light, srgb_bytes

Array = NDArray[np.floating]
Bytes = NDArray[np.uint8]
Index = NDArray[np.intp]

# Distances between sRGB of 8 bits. By eye on drawn edges and on JPEG of them; no source.
SAME = 6.0  # one flat colour, saved with little loss
ROUNDING = 2.0
NEAR = 24.0  # on the way from one to another
# Shares of the covered area that may be neither: of one colour, of all of them. By eye; no source.
ALONE, TOGETHER = 0.0005, 0.01
TOLD = 8  # colours that are named
# Rows of a picture at once: memory stays small, and counting has a long table to go through.
_ROWS, _COUNTED_ROWS = 256, 2048
_COLOURS = 20_000  # colours at once


class Palette(NamedTuple):
    """A picture (h, w) as its m colours, fully transparent pixels apart."""

    colours: Bytes  # (m, 3)
    place: NDArray[np.int32]  # (h, w) which of them; 0 where nothing covers
    cover: Bytes  # (h, w)
    area: Array  # (m,) share of all that is covered
    flat: NDArray[np.bool_]  # (m,) whether some pixel has only its like around it


class Mixed(NamedTuple):
    """m colours as mixtures of two of k sources each."""

    first: Index  # (m,)
    second: Index  # (m,)
    share: Array  # (m,) of the first, 0.5 to 1
    off: Array  # (m,) distance from the mixture


class Accounted(NamedTuple):
    """What is left of a picture's colours once the sources are told; shares of the covered area."""

    unmapped: Bytes  # (u, 3) the colours left, alike ones as one, the most frequent first
    share: Array  # (u,)
    between: float  # edges between two sources
    stray: float  # neither, and let pass


def palette(pixels: Bytes) -> Palette:
    """The colours of ``pixels`` (h, w, 4): red, green, blue, cover."""
    h, w, _ = pixels.shape
    code = np.zeros((h, w), np.int32)
    for channel in range(3):
        code = (code << 8) | pixels[..., channel]
    cover = np.ascontiguousarray(pixels[..., 3])
    area = np.zeros(1 << 24)
    for start in range(0, h, _COUNTED_ROWS):
        rows = slice(start, start + _COUNTED_ROWS)
        area += np.bincount(code[rows].ravel(), cover[rows].ravel(), minlength=1 << 24)
    found = np.flatnonzero(area)
    area = area[found]
    place_of = np.zeros(1 << 24, np.int32)
    place_of[found] = np.arange(len(found))
    place = place_of[code]
    colours = np.stack([found >> 16, (found >> 8) & 255, found & 255], axis=1).astype(np.uint8)
    flat = np.zeros(len(found), bool)
    flat[place[_among_its_like(code) & (cover > 0)]] = True
    return Palette(colours, place, cover, area / max(area.sum(), 1.0), flat)


def _among_its_like(code: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Whether a pixel (h, w) and all around it are of one code; at the border, what is there."""
    same = np.ones(code.shape, bool)
    for axis in (0, 1):  # first up and down, then rows of these left and right
        ahead = [slice(None)] * 2
        behind = [slice(None)] * 2
        ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
        like = code[tuple(ahead)] == code[tuple(behind)]
        whole = same.copy()
        same[tuple(ahead)] &= like & whole[tuple(behind)]
        same[tuple(behind)] &= like & whole[tuple(ahead)]
    return same


def mixed(colours: Bytes, sources: Bytes) -> Mixed:
    """Each of ``colours`` (m, 3) as the nearest mixture of two of ``sources`` (k, 3).

    Programs smooth edges by mixing the 8-bit values, or else the light; the light is believed
    where it comes nearer by more than rounding, for towards black both look alike. A colour within
    `SAME` of a source is that source. Without sources all are far off.
    """
    if not len(sources):
        none = np.zeros(len(colours), np.intp)
        return Mixed(none, none, np.ones(len(colours)), np.full(len(colours), np.inf))
    parts = [
        _mixed(colours[start : start + _COLOURS], sources)
        for start in range(0, max(len(colours), 1), _COLOURS)
    ]
    return Mixed(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def _mixed(colours: Bytes, sources: Bytes) -> Mixed:
    wanted, ends = colours.astype(float), sources.astype(float)
    apart = np.linalg.norm(wanted[:, None] - ends, axis=2)
    first = apart.argmin(axis=1)
    second, share, off = first.copy(), np.ones(len(wanted)), apart.min(axis=1)
    cost = np.where(off > SAME, off, -1.0)
    light, light_ends = linear_light(colours), linear_light(sources)
    for one, other in zip(*np.triu_indices(len(ends), 1), strict=True):
        for space, corners, back, doubt in (
            (wanted, ends, lambda values: values, 0.0),
            (light, light_ends, srgb_bytes, ROUNDING),
        ):
            way = corners[one] - corners[other]
            t = np.clip((space - corners[other]) @ way / max(way @ way, 1e-12), 0, 1)
            there = back(corners[other] + t[:, None] * way).astype(float)
            miss = np.linalg.norm(wanted - there, axis=1)
            better = miss + doubt < cost
            cost[better] = miss[better] + doubt
            first[better], second[better] = one, other
            share[better], off[better] = t[better], miss[better]
    turned = share < 0.5
    first[turned], second[turned] = second[turned], first[turned]
    return Mixed(first, second, np.where(turned, 1 - share, share), off)


def accounted(found: Palette, mixture: Mixed) -> Accounted:
    """Which of the colours (m,) are neither sources nor edges between two of them.

    A flat area is no edge, though its colour may lie between two sources: a grey beside black and
    white is a colour of its own. Where three colours meet, and around the edges of a JPEG, pixels
    are none of both: these are let pass while they are few and all different.
    """
    between, beyond = mixture.off > SAME, mixture.off > NEAR
    between = between | (mixture.share < 1)
    own = (found.flat & between) | (beyond & (found.area > ALONE))
    stray = beyond & ~own
    if found.area[stray].sum() > TOGETHER:
        own, stray = own | stray, np.zeros_like(stray)
    told = own & found.flat if (own & found.flat).any() else own  # their edges follow
    unmapped, share = _alike(found.colours[told], found.area[told])
    passed = between & ~own & ~stray
    return Accounted(
        unmapped, share, float(found.area[passed].sum()), float(found.area[stray].sum())
    )


def _alike(colours: Bytes, area: Array) -> tuple[Bytes, Array]:
    """At most `TOLD` of ``colours`` (m, 3), the most frequent, with the ``area`` (m,) of all near
    them."""
    order = np.argsort(-area, kind="stable")
    left, area = colours[order], area[order]
    leaders: list[Bytes] = []
    shares: list[float] = []
    while len(left) and len(leaders) < TOLD:
        near = np.linalg.norm(left.astype(float) - left[0], axis=1) <= NEAR
        leaders.append(left[0])
        shares.append(float(area[near].sum()))
        left, area = left[~near], area[~near]
    order = np.argsort(-np.array(shares), kind="stable")
    return np.array(leaders, np.uint8).reshape(-1, 3)[order], np.array(shares)[order]


def recoloured(found: Palette, mixture: Mixed, becomes: Bytes, ground: Bytes) -> Bytes:
    """The picture (h, w, 3) with source i as ``becomes`` (k, 3) and ``ground`` (3,) where nothing
    covers."""
    ends = linear_light(becomes)
    share = mixture.share[:, None]
    light = share * ends[mixture.first] + (1 - share) * ends[mixture.second]
    plain, beneath = srgb_bytes(light), linear_light(ground)
    out = np.empty((*found.place.shape, 3), np.uint8)
    for start in range(0, len(out), _ROWS):
        place, cover = found.place[start : start + _ROWS], found.cover[start : start + _ROWS]
        rows = np.where(cover[..., None] > 0, plain[place] if len(plain) else ground, ground)
        through = (cover > 0) & (cover < 255)
        part = cover[through][:, None] / 255
        rows[through] = srgb_bytes(part * light[place[through]] + (1 - part) * beneath)
        out[start : start + _ROWS] = rows
    return out


def shrunk(pixels: Bytes, most: int) -> Bytes:
    """A picture (h, w, 3) no longer than ``most`` on either side: blocks averaged in linear light,
    what is left over at the right and below cut off."""
    step = -(-max(pixels.shape[:2]) // most)
    if step == 1:
        return pixels
    h, w = (max(n // step, 1) for n in pixels.shape[:2])
    out = np.empty((h, w, 3), np.uint8)
    table = linear_light(np.arange(256))
    for row in range(h):
        block = pixels[row * step : (row + 1) * step, : w * step]
        out[row] = srgb_bytes(table[block].reshape(len(block), w, -1, 3).mean(axis=(0, 2)))
    return out
