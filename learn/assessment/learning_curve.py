"""How much the history is worth: the model learnt anew from its first part, scored on what follows.

Real refits, not closed form: only the jobs before are learnt from, only jobs after are
scored, each time as many of them, so that points along the curve compare.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.assessment.reliability import Share, grouped_share
from learn.colour.colorimetry import delta_e00
from learn.colour.difference import difference
from learn.normal import Z90, sd_of
from learn.physics.drawdowns import lab_columns
from learn.predict.model import ShiftModel
from learn.predict.protocol import RecallingModel
from learn.predict.verdict import ask_for_test
from learn.shop import Shop, jobs_of
from learn.workers import at_work

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

SHARES = (0.1, 0.2, 0.4, 0.7)
AHEAD = 0.3  # of all jobs are scored after each refit
ITERATIONS = 6  # of the hyper-parameter search: fewer than `learn` takes
FEWEST_PRINTS = 12  # to learn from, and to score
RESAMPLES = 300


@dataclass(frozen=True)
class Point:
    """What a history of ``n`` prints was good for, on prints it had not seen."""

    n: int
    error: tuple[float, float, float]  # median dE00 to the measured colour, 95 % interval
    coverage: Share  # of L, a, b by the 90 % bands
    tests: Share  # set-ups that would have needed a test print


def job_order(prints: pd.DataFrame, seed: int = 0) -> tuple[NDArray[np.intp], bool]:
    """Place of each print's job in the history (n,), and whether it is by date.

    By the first date of each job where at least nine in ten prints are dated (undated jobs
    come first); else at random. A print without job is a job of its own.
    """
    job = pd.factorize(jobs_of(prints["job_id"]))[0]
    n_jobs = job.max() + 1 if len(job) else 0
    dates = pd.to_datetime(prints["printed_on"])
    if len(dates) and dates.notna().mean() >= 0.9:
        first = dates.groupby(job).min().sort_values(na_position="first", kind="stable").index
        by_date = True
    else:
        first, by_date = np.random.default_rng(seed).permutation(n_jobs), False
    place = np.empty(n_jobs, int)
    place[first] = np.arange(n_jobs)
    return place[job], by_date


def learning_curve(
    shop: Shop,
    skip: NDArray[np.bool_],
    progress: Callable[[str], None] | None = None,
) -> tuple[list[Point], bool]:
    """Points of the curve, and whether jobs were taken in time order.

    ``skip`` (n_prints,) are not scored (gross errors, prints without colour); they are
    learnt from, as they were when nobody knew. Parts of the history too small to learn
    from or to score give no point.
    """
    say = progress or (lambda _: None)
    place, by_date = job_order(shop.prints)
    cut = parts(place, skip)
    for learnt, _ in cut:
        say(f"learning curve: again from {learnt.sum()} prints, scored on the next")
    longest_first = at_work(partial(after, shop, place), cut)
    return longest_first[::-1], by_date


def parts(place: NDArray[np.intp], skip: NDArray[np.bool_]) -> list[tuple[Mask, Mask]]:
    """For each point of the curve the prints (n,) learnt from and those scored, the longest
    first; ``place`` as of :func:`job_order`, ``skip`` as of :func:`learning_curve`."""
    n_jobs = place.max() + 1 if len(place) else 0
    cut = []
    for share in sorted(SHARES, reverse=True):
        here = round(share * n_jobs)
        learnt = place < here
        ahead = ~learnt & (place < here + round(AHEAD * n_jobs)) & ~skip
        if min(learnt.sum(), ahead.sum()) >= FEWEST_PRINTS:
            cut.append((learnt, ahead))
    return cut


def after(shop: Shop, job: NDArray[np.intp], part: tuple[Mask, Mask]) -> Point:
    """Learn from the first, score on the second."""
    learnt, ahead = (shop.prints[rows].reset_index(drop=True) for rows in part)
    model = ShiftModel(max_iterations=ITERATIONS).fit(replace(shop, prints=learnt))
    return _point(model, ahead, job[part[1]])


def _point(model: ShiftModel, prints: pd.DataFrame, job: NDArray) -> Point:
    measured = lab_columns(prints, model.viewing_)
    p = model.predict_lab(prints)
    sd = sd_of(p.covariance)
    return point(
        len(model.history().lab),
        p.mean,
        p.covariance,
        measured,
        np.abs(measured - p.mean) <= Z90 * sd,
        job,
        model,
    )


def point(
    n: int,
    mean: Array,
    covariance: Array,
    measured: Array,
    inside: NDArray[np.bool_],
    job: NDArray,
    model: RecallingModel,
) -> Point:
    """Score predictions N(mean, covariance) of prints whose jobs are ``job`` (m,)."""
    settings = model.settings_
    tolerance = np.full(len(mean), settings.tolerance_dE00)
    test = ask_for_test(difference(mean, covariance, mean, tolerance).p_within, settings)
    return Point(
        n,
        median_by_groups(delta_e00(mean, measured), job),
        grouped_share(inside, job),
        grouped_share(test, job),
    )


def median_by_groups(values: Array, group: NDArray, seed: int = 0) -> tuple[float, float, float]:
    """Median of ``values`` (n,) and its 95 % interval, groups drawn with replacement."""
    code = np.unique(group, return_inverse=True)[1]
    n_groups = code.max() + 1
    rng = np.random.default_rng(seed)
    order = np.argsort(values)
    weights = rng.multinomial(n_groups, np.full(n_groups, 1 / n_groups), RESAMPLES)
    reached = np.cumsum(weights[:, code[order]], axis=1)
    at = (reached >= reached[:, -1:] / 2).argmax(axis=1)
    lo, hi = np.quantile(values[order][at], [0.025, 0.975])
    return float(np.median(values)), float(lo), float(hi)
