"""Prints that wait for somebody to decide on them, and what nobody knows until then.

A print that was set aside as it came is a slip, or news of its lot, its press, its garment, its
screen. Where much of what was printed of one of these lately waits, what all other prints say of it
may no longer hold: until somebody decides, or enough is printed, nothing is sure with it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.fit.contradiction import TOO_MANY, Apart, Level
from learn.fit.slips import AGREE
from learn.monitoring.inspection import inspect_arrivals, known_to, limit

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]

# Columns of the features whose levels can be what is off, presses as they stand since a recorded
# change; of all but lots only what prints of two lots say is put down to them.
COLUMNS = ("lot", "era", "mesh", "ink", "laid_on")
# First prints of lots say first of all that these differ: it takes so many lots to doubt more.
NEW_LOTS = 3
# So large a share of the latest prints of a level, be they two, is no slip of one of them.
HALF = 0.5


class Waiting(NamedTuple):
    """One lot, press (its era), mesh, ink or garment in doubt."""

    level: Level
    waits: list[str]  # print_ids, far from what is expected by no slip that is likely
    lately: int  # prints of it since the first of these, these among them
    apart: Apart  # Lab by which the middle one of these is off
    agree: bool  # whether these bear each other out


def in_doubt(
    model: ShiftModel,
    prints: pd.DataFrame,
    lab: Array,
    waits: Mask,
    *,
    typed: Mask,
    bases: pd.DataFrame,
) -> list[Waiting]:
    """What the prints that wait leave in doubt, of a model that has not learnt them.

    Parameters
    ----------
    prints : those that wait and those in use, in the order they came; lab : (n, 3) as measured
    waits : (n,) which of them wait
    typed, bases : see :func:`learn.monitoring.inspection.inspect_arrivals`
    """
    at = np.flatnonzero(waits)
    if not len(at):
        return []
    asked = prints.iloc[at].reset_index(drop=True)
    found = inspect_arrivals(model, asked, lab[at], typed=typed[at], bases=bases)
    named = np.array([slip is not None for slip in found.slips])
    far = np.nan_to_num(found.distance) > limit()
    off, agree = np.zeros((2, len(prints)), bool)
    off[at] = far & ~named
    agree[at] = off[at] & ~found.doubtful
    known = known_to(model, prints)
    if not (off & known).any():
        return []
    error = np.zeros((len(prints), 3))
    error[at] = lab[at] - found.expected
    rows = np.flatnonzero(known & (off | ~waits))  # a slip that is named says nothing of the rest
    X = model.features(prints.iloc[rows].reset_index(drop=True))
    off, agree, error = off[rows], agree[rows], error[rows]
    day = pd.to_datetime(prints["printed_on"]).to_numpy()[rows]
    # where none is named, all of an ink is one lot
    lots = X["lot"].where(X["lot"].notna(), X["ink"]).to_numpy(object)
    unnamed = X["lot"].isna().to_numpy()
    out = []
    for column in COLUMNS:
        of = X[column].to_numpy(object)
        for level in pd.unique(of[off]):
            if pd.isna(level):
                continue
            as_lot = unnamed if column == "ink" else np.full(len(rows), column == "lot")
            lately = _lately(np.flatnonzero(of == level), off, day, lots, as_lot)
            if lately is None:
                continue
            these = lately[off[lately]]
            apart = error[these]
            middle = apart[np.argsort(np.linalg.norm(apart, axis=1))[len(these) // 2]]
            L, a, b = map(float, middle)
            ids = prints["print_id"].iloc[rows[these]].astype(str).tolist()
            sure = bool(agree[these].all())
            out.append(Waiting((column, str(level)), ids, len(lately), (L, a, b), sure))
    return out


def _lately(own: Index, off: Mask, day: NDArray, lots: NDArray, as_lot: Mask) -> Index | None:
    """The latest of the prints ``own`` of a level, since when so many are ``off`` that it is in
    doubt itself; None where it is not. What was off long ago, and never decided on, does not hide
    what is off now."""
    waits = own[off[own]]
    for first in waits[np.argsort(day[waits], kind="stable")]:
        lately = own[_since(day, own, first)]
        these = lately[off[lately]]
        of, known = pd.unique(lots[these]), pd.unique(lots[~off])
        one_lot = len(of) < 2
        several = len(of) >= (2 if np.isin(of, known).any() else NEW_LOTS)
        if not (several or (one_lot and as_lot[these].all())):
            continue  # these lots are in doubt
        all_there_is = one_lot and len(these) == len(own)
        share = len(these) / len(lately)
        many = len(these) >= 2 and share >= HALF
        if all_there_is or many or (len(these) >= AGREE and share >= TOO_MANY):
            return lately
    return None


def _since(day: NDArray, own: Index, first: int) -> Mask:
    """Which of the prints ``own`` were made on the day of the ``first`` that waits or later; where
    no day is known, came after it."""
    after = own >= first
    with np.errstate(invalid="ignore"):
        return np.where(np.isnat(day[own]) | np.isnat(day[first]), after, day[own] >= day[first])
