"""Presses that laid more or less from one day on, which nobody wrote down.

A press is re-levelled, a blade is turned, a gap is set anew, and from that day on it lays a third
less. What wanders and what drifts follows slowly; until it has, prints are taken for scatter, and
set-ups that go by them for as sure as ever. So every day of a press is tried as such a one, beside
all that the model has: by how much likelier its prints are if the film has moved on that day.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import logsumexp

from learn.fit.linearisation import DIRECTIONS
from learn.fit.slips import AGREE
from learn.gp import posterior
from learn.gp.covariance import whitened
from learn.gp.posterior import Design, Hyper, Posterior
from learn.shop import jobs_of

Array = NDArray[np.floating]

# By how much, log film, a press may have moved: each as likely. Assumption, no source.
SIZES = np.array([0.05, 0.1, 0.2, 0.4])
# Before a print is looked at, that a press has moved so is once as likely as so many times that it
# has not.
RARE = 8.0
# Days of one press that are tried, evenly over its prints.
DAYS = 60
# Prints of a batch that are looked at, the latest.
MOST_OF_BATCH = 300
# The direction in Lab along which it lays more: ink and base alike.
BOTH = DIRECTIONS.index("both_films")


class Jump(NamedTuple):
    """When a press moved: in which of its eras, and from which day on, as X has it."""

    era: str
    day: float


def likeliest(design: Design, hyper: Hyper, X: pd.DataFrame) -> Jump | None:
    """The jump that the prints of a design, whose features are ``X``, bear out best; None where
    none is likelier than not."""
    tried = list(_tried(X, before=True))
    return _best(tried, posterior.of_more(design, hyper, (_shift(design, X, one) for one in tried)))


def of_batch(
    design: Design, hyper: Hyper, post: Posterior, X: pd.DataFrame, printed: Collection[str]
) -> Jump | None:
    """The same of prints that came in since ``post`` was learnt, beside what that says of them; of
    stretches ``printed`` before alone: a press that is new, or was just mended, has not moved."""
    X = X.assign(stretch=X["stretch"].where(X["stretch"].isin(list(printed))))
    latest = np.argsort(X["day"].to_numpy(float), kind="stable")[-MOST_OF_BATCH:]
    X, design = X.iloc[latest].reset_index(drop=True), design.take(latest)
    tried = list(_tried(X, before=False))
    if not tried:
        return None
    root, white = whitened(design, hyper, post)

    def told() -> Iterator[tuple[Array, Array]]:
        for one in tried:
            shift = _shift(design, X, one).reshape(len(white), -1)
            seen = solve_triangular(root, shift, lower=True, check_finite=False)
            yield (seen**2).sum(axis=0), seen.T @ white

    return _best(tried, told())


class _Tried(NamedTuple):
    """A press of which each of some days is tried as the one on which it moved."""

    era: str
    at: NDArray[np.intp]  # its prints
    days: Array


def _tried(X: pd.DataFrame, *, before: bool) -> Iterator[_Tried]:
    """Every press of the prints ``X`` with days on which it may have moved, as far as prints can
    tell: some, of several jobs, lie after such a day, and ``before`` it."""
    day, job = X["day"].to_numpy(float), jobs_of(X["job"]).to_numpy()
    for stretch in X["stretch"].dropna().unique():
        at = np.flatnonzero((X["stretch"] == stretch).to_numpy() & np.isfinite(day))
        days = np.unique(day[at])
        days = days[days <= _enough(-day[at], job[at]) * -1]
        if before:
            days = days[days > _enough(day[at], job[at])]
        if len(days):
            even = np.linspace(0, len(days) - 1, min(DAYS, len(days))).round().astype(int)
            yield _Tried(str(X["era"].iloc[at[0]]), at, days[even])


def _enough(day: Array, job: NDArray) -> float:
    """The first day by which enough was printed to tell; infinite where it never was."""
    order = np.argsort(day, kind="stable")
    first = ~pd.Series(job[order]).duplicated()
    told = (np.arange(1, len(day) + 1) >= AGREE) & (first.cumsum().to_numpy() > 1)
    return float(day[order][told.argmax()]) if told.any() else np.inf


def _shift(design: Design, X: pd.DataFrame, tried: _Tried) -> Array:
    """Lab (n, 3, m) by which prints move for a unit of log film from each of the days on."""
    later = np.zeros((len(X), len(tried.days)))
    later[tried.at] = X["day"].to_numpy(float)[tried.at, None] >= tried.days
    shift: Array = design.directions[:, BOTH][:, :, None] * later[:, None]
    return shift


def _best(tried: list[_Tried], told: Iterable[tuple[Array, Array]]) -> Jump | None:
    """The likeliest of the days tried, by the information on each and what it tells."""
    best, most = None, np.log(RARE)
    for one, (information, tells) in zip(tried, told, strict=True):
        odds = _log_odds(information, tells)
        total = float(logsumexp(odds)) - np.log(len(one.days))
        if total > most:
            best, most = Jump(one.era, float(one.days[odds.argmax()])), total
    return best


def _log_odds(information: Array, told: Array) -> Array:
    """How much likelier (m,) prints are if a weight beside all others is not nothing, but of any of
    the `SIZES`: the Bayes factor of a normal prior, log."""
    size = SIZES[:, None] ** 2
    odds = 0.5 * told**2 * size / (1 + information * size) - 0.5 * np.log1p(information * size)
    return np.asarray(logsumexp(odds, axis=0) - np.log(len(SIZES)))
