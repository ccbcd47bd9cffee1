"""How much more or less a press lays since a day on which it moved, unrecorded, by its prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from learn.fit.eras import stretch_name
from learn.normal import Z90
from learn.predict.novelty import DAY

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel


SAME_DAYS = 31  # apart, that one move may be found at; no source


class Moved(NamedTuple):
    """A press that lays otherwise than before, with the 90 % band of how much."""

    press: str
    since: pd.Timestamp
    percent: float  # more, below 0 less
    lo: float
    hi: float

    def same_as(self, other: Moved) -> bool:
        """Whether another model found the same move: nobody knows its day to the week."""
        return self.press == other.press and abs((self.since - other.since).days) <= SAME_DAYS


def moved_presses(model: ShiftModel) -> list[Moved]:
    """Every move that was found (`learn.fit.jumps`), in order of time, beside what was before."""
    encoder, layout, found = model.encoder_, model.layout_, []
    terms = [i for i, t in enumerate(layout.terms) if t.term.levels == "stretch"]
    before: dict[str, str] = {}
    for era, day in encoder.jumps.sort_values("day").itertuples(index=False):
        now, then = stretch_name(era, day), before.get(era, era)
        before[era] = now
        for i in terms:
            fitted, columns = layout.terms[i], layout.term_slices[i]
            if not {now, then} <= set(fitted.level_names):
                continue
            at = np.array([fitted.level_names.index(one) for one in (now, then)])
            scale = np.sqrt(fitted.strange[at]) * [1.0, -1.0]
            mean = float(scale @ model.weights_[columns][at])
            covariance = model.posterior_.covariance_of(columns.start + at)
            half = Z90 * float(np.sqrt(scale @ covariance @ scale))
            percent, lo, hi = 100 * np.expm1([mean, mean - half, mean + half])
            since = (encoder.first_day + pd.Timedelta(days=day * DAY)).round("D")
            found.append(Moved(era.split("\x1f")[0], since, percent, lo, hi))
    return found
