"""Presses that laid more or less from one day on, which nobody wrote down.

A press is re-levelled, a blade is turned, a gap is set anew, and from that day on it lays a third
less. What wanders and what drifts follows slowly; until it has, prints are taken for scatter, and
set-ups that go by them for as sure as ever. So every day of a press is tried as such a one, beside
all that the model has: by how much likelier its prints are if the film has moved on that day.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import logsumexp

from learn.fit.linearisation import DIRECTIONS
from learn.fit.slips import AGREE
from learn.gp import posterior
from learn.gp.posterior import Design, Hyper
from learn.shop import jobs_of

Array = NDArray[np.floating]

# By how much, log film, a press may have moved: each as likely. Assumption, no source.
SIZES = np.array([0.05, 0.1, 0.2, 0.4])
# Before a print is looked at, that a press has moved so is once as likely as so many times that it
# has not.
RARE = 8.0
# Days of one press that are tried, evenly over its prints.
DAYS = 60
# The direction in Lab along which it lays more: ink and base alike.
BOTH = DIRECTIONS.index("both_films")


class Jump(NamedTuple):
    """When a press moved: in which of its eras, and from which day on, as X has it."""

    era: str
    day: float


def likeliest(design: Design, hyper: Hyper, X: pd.DataFrame) -> Jump | None:
    """The jump that the prints of a design, whose features are ``X``, bear out best; None where
    none is likelier than not."""
    day, job = X["day"].to_numpy(float), jobs_of(X["job"]).to_numpy()
    vectors, tried, shifts = design.directions[:, BOTH], [], []
    for stretch in X["stretch"].dropna().unique():
        at = np.flatnonzero((X["stretch"] == stretch).to_numpy() & np.isfinite(day))
        days = _days(day[at], job[at])
        if len(days):
            later = np.zeros((len(X), len(days)))
            later[at] = day[at, None] >= days
            tried.append((X["era"].iloc[at[0]], days))
            shifts.append(vectors[:, :, None] * later[:, None])
    best, most = None, np.log(RARE)
    told = posterior.of_more(design, hyper, shifts)
    for (era, days), (information, tells) in zip(tried, told, strict=True):
        odds = _log_odds(information, tells)
        total = float(logsumexp(odds)) - np.log(len(days))
        if total > most:
            best, most = Jump(str(era), float(days[odds.argmax()])), total
    return best


def _days(day: Array, job: NDArray) -> Array:
    """The days on which a press may have moved, as far as its prints can tell: some, of several
    jobs, lie on either side."""
    table = pd.DataFrame({"day": day, "job": job}).sort_values("day")
    found = []
    for one in (table, table[::-1]):
        seen = pd.DataFrame(
            {"n": np.arange(1, len(one) + 1), "jobs": (~one["job"].duplicated()).cumsum()}
        )
        enough = (seen["n"].to_numpy() >= AGREE) & (seen["jobs"].to_numpy() > 1)
        found.append(one["day"].to_numpy()[enough])
    before, after = found
    if not (len(before) and len(after)):
        return np.zeros(0)
    days = np.unique(day)
    days = days[(days > before.min()) & (days <= after.max())]
    return days[np.linspace(0, len(days) - 1, min(DAYS, len(days))).round().astype(int)]


def _log_odds(information: Array, told: Array) -> Array:
    """How much likelier (m,) prints are if a weight beside all others is not nothing, but of any of
    the `SIZES`: the Bayes factor of a normal prior, log."""
    size = SIZES[:, None] ** 2
    odds = 0.5 * told**2 * size / (1 + information * size) - 0.5 * np.log1p(information * size)
    return np.asarray(logsumexp(odds, axis=0) - np.log(len(SIZES)))
