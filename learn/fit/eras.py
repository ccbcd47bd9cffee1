"""Presses between their recorded changes: from the day of one on, a press counts as another.

What a press printed before it was mended says nothing of how it prints after, and nobody knows by
how much a mending moves it: as much, at the most, as one press differs from the next.
"""

from __future__ import annotations

import numpy as np
import pandas as pd


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
