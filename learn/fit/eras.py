"""Presses between their recorded changes: from the day of one on, a press counts as another.

What a press printed before it was mended says nothing of how it prints after, and nobody knows by
how much a mending moves it: as much, at the most, as one press differs from the next.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.fit.gaps import alike, filled

if TYPE_CHECKING:
    from learn.shop import Shop

Array = NDArray[np.floating]


def eras_of(press: pd.Series, day: pd.Series, changes: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """The era of each set-up (n,), and the day (n,) it began.

    An era is named as its press (None where not known) and begins with NaT before the first
    recorded change, and as press and day after one. A set-up without a day is after the last.

    Parameters
    ----------
    press : (n,) identifiers
    day : (n,) datetime64, NaT where not known
    changes : press_id, changed_on; in any order
    """
    era, start = press.astype(object), pd.Series(pd.NaT, press.index, dtype="datetime64[ns]")
    for one, days in changes.groupby("press_id")["changed_on"]:
        at, begun = (press == one).to_numpy(), np.unique(days.to_numpy("datetime64[ns]"))
        own = day[at].fillna(begun[-1]).to_numpy("datetime64[ns]")
        later = np.searchsorted(begun, own, side="right")
        named = np.array([one, *(f"{one}\x1f{d}" for d in begun.astype("datetime64[D]"))], object)
        era[at], start[at] = named[later], np.insert(begun, 0, np.datetime64("NaT"))[later]
    return era, start


def no_jumps() -> pd.DataFrame:
    """No press has moved but by a recorded change."""
    return pd.DataFrame({"era": pd.Series(dtype=object), "day": pd.Series(dtype=float)})


def stretches_of(era: pd.Series, day: Array, jumps: pd.DataFrame) -> pd.Series:
    """What each set-up (n,) is of: its era, or the stretch of it that began with a jump which
    nobody wrote down (`learn.fit.jumps`).

    Parameters
    ----------
    era : (n,) as :func:`eras_of`
    day : (n,) as the process features have it, NaN where not known: after the last jump
    jumps : era and day of each; in any order
    """
    out, day = era.astype(object), np.where(np.isnan(day), np.inf, day)
    for one, days in jumps.groupby("era")["day"]:
        at, begun = (era == one).to_numpy(), np.unique(days)
        named = np.array([one, *(stretch_name(str(one), each) for each in begun)], object)
        out[at] = named[np.searchsorted(begun, day[at], side="right")]
    return out


def stretch_name(era: str, day: float) -> str:
    """What the stretch of an era is called that began on a day."""
    return f"{era}\x1f{day:.6f}"


def last_changes(changes: pd.DataFrame) -> dict[str, pd.Timestamp]:
    """The day of the last change of each press that has one, by press_id."""
    return dict(changes.groupby("press_id")["changed_on"].max())


def presses_now(prints: pd.DataFrame, changes: pd.DataFrame) -> pd.Series:
    """The press of each print (n,) that tells of it as it stands; None where none is named, or it
    has been changed since."""
    press = prints["press_id"].astype(object)
    _, begun = eras_of(press, prints["printed_on"], changes)
    last = pd.to_datetime(press.map(last_changes(changes)))
    return press.where(last.isna() | (begun == last), None)


def presses_of(shop: Shop) -> pd.Series:
    """The same of a shop's tables, with empty cells as the job tells, as a model takes them."""
    return presses_now(filled(shop.prints, alike(shop.prints)), shop.changes)
