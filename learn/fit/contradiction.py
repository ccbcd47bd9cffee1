"""Inks, garments bare or based, and lots, of which hardly anything was printed that fits.

One print far from what all else says is wrong, or what it contradicts is: a card of another bucket,
a garment mistaken for its neighbour. Two more prints tell which; until then nobody can.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

if TYPE_CHECKING:
    from pandas.core.groupby import SeriesGroupBy

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]
Apart = tuple[float, float, float]  # Lab, one sd from what was expected to the prints that are off
Level = tuple[str, str]  # a column of `LEVELS` and one of its levels
Contradicting = Mapping[Level, Apart | None]  # None: its prints fit all else

# How far off, in Lab, an ink whose card is another's may be, a garment that takes ink unlike
# others, and a lot; and a slip, which may lie anywhere: one sd a channel, assumptions, no source.
UNLIKE = {"ink": 20.0, "laid_on": 8.0, "lot": 8.0}
SLIP = 35.0
LEVELS = tuple(UNLIKE)
# Of fewer prints none is borne out by two others. Of a lot those before it tell what to expect.
BORNE_OUT = 3
NEEDS_BEARING_OUT = ("ink", "laid_on")
# Share of the prints of an ink, garment or press that must be doubtful to be no slips.
TOO_MANY = 0.2


def contradicting(X: pd.DataFrame, error: Array, far: Mask, gross: Mask) -> Contradicting:
    """Of every level whether its prints leave open what is right: one of too few is ``far`` off
    (n,), or a fifth and more are ``gross`` errors (n,); and how far they lie, by ``error`` (n, 3).
    """
    out: dict[Level, Apart | None] = {}
    for column in LEVELS:
        off = pd.DataFrame({"far": far, "gross": gross}).groupby(X[column].to_numpy())
        few = off["far"].any() & (off.size() < BORNE_OUT) & (column in NEEDS_BEARING_OUT)
        out |= _told(column, few | _many(off["gross"]), X, error, far | gross)
    return out


def _many(gross: SeriesGroupBy) -> pd.Series:
    return (gross.sum() > 1) & (gross.mean() >= TOO_MANY)


def contradicting_since(
    X: pd.DataFrame, error: Array, far: Mask, gross: Mask, seen: Mapping[str, NDArray[np.intp]]
) -> Contradicting:
    """The same of prints (n,) that came in since, of levels ``seen`` (column -> (n,) prints by now)
    too few times, and of lots; others are judged once all is learnt anew. What did not fit before
    fits no sooner than two others bear that out."""
    lots = pd.Series(gross).groupby(X["lot"].to_numpy())
    many = _many(lots)
    out = _told("lot", many[many], X, error, gross)
    for column in NEEDS_BEARING_OUT:
        alone = seen[column] <= BORNE_OUT
        table = pd.DataFrame({"off": far, "enough": seen[column] == BORNE_OUT})[alone]
        by = table.groupby(X[column].to_numpy()[alone]).any()
        out |= _told(column, by["off"][by["off"] | by["enough"]], X, error, far & alone)
    return out


def _told(
    column: str, off: pd.Series, X: pd.DataFrame, error: Array, which: Mask
) -> dict[Level, Apart | None]:
    """Levels, with the ``error`` (n, 3) of the farthest of ``which`` prints where they are off: one
    sd of it, as large a share of prints lies so far off and as likely that is no slip."""
    size = np.where(which, np.linalg.norm(error, axis=1), -1.0)
    by = pd.DataFrame({"size": size, "off": which}).groupby(X[column].to_numpy())
    farthest, share = by["size"].idxmax(), by["off"].mean()
    out: dict[Level, Apart | None] = {}
    for level, unclear in off.items():
        print_off = error[farthest[level]]
        chance = share[level] * no_slip(column, print_off)
        L, a, b = map(float, np.sqrt(chance) * print_off)
        out[column, str(level)] = (L, a, b) if unclear else None
    return out


def no_slip(column: str, error: Array) -> float:
    """How likely it is, of a print that is ``error`` (3,) off, that its ink or garment is unlike
    what is known of it, where that and a slip are as likely beforehand."""
    unlike, distance = UNLIKE[column], float(error @ error)
    log_ratio = 3 * np.log(SLIP / unlike) - distance / 2 * (unlike**-2 - SLIP**-2)
    return float(expit(log_ratio))
