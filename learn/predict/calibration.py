"""What a fitted model would have said of prints it had not seen, and what follows.

Every print is predicted from all others but its own group - job, ink, garment, mesh,
press, or the latest weeks - in closed form. The groups stand for the situations a
set-up can be in; from the standardised errors of all of them follows a factor on the
predictive standard deviations of each (`learn.predict.dispersion`).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.fit.fitting import FIRST_PRINTS, first_prints
from learn.gp.covariance import along
from learn.gp.leave_out import leave_groups_out
from learn.normal import Z90, sd_of
from learn.predict import dispersion
from learn.predict.carrying import Carrying, stacked
from learn.predict.dispersion import Errors
from learn.process import NUMBERS
from learn.shop import jobs_of
from learn.workers import at_work

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel

Array = NDArray[np.floating]
Groups = NDArray[np.intp]

# Process numbers whose ends stand for "outside the history".
EDGES = [number.name for number in NUMBERS if number.ends]
# Situation of a set-up -> the column that is left out level by level to learn its factor.
SITUATIONS = {
    "ink": "ink",
    "garment": "substrate",
    "mesh": "mesh",
    "press": "era",
    "ground": "ground",
    "lot": "lot",
}
ALL_SITUATIONS = ["job", *SITUATIONS, "later", "outside"]
# So much of the history, up to so many times, stands for "later than everything learnt from".
LATEST_SHARE, PERIODS = 0.12, 3
# Share of prints at either end of a process number that is left out at once.
EDGE_SHARE = 0.1


class Case(NamedTuple):
    """One way of leaving prints of a history out."""

    situation: str  # one of ALL_SITUATIONS
    out: Groups  # (n,) what is left out together; negative: stays in
    group: Groups  # (n,) what errs together of the prints it is about; negative: it is not


class LeftOut(NamedTuple):
    """Prints as predicted without their group."""

    error: Array  # (n, 3) measured minus predicted Lab
    covariance: Array  # (n, 3, 3)
    group: Groups  # (n,)

    @property
    def z(self) -> Array:
        """Standardised errors (n, 3)."""
        return self.error / sd_of(self.covariance)


class Alone(NamedTuple):
    """The physics alone on the prints of a model."""

    constants: Array
    error: Array  # (n, 3) measured minus predicted Lab, without the print's ink
    dE00: float  # median, every job predicted from all others


def calibrate(model: ShiftModel) -> tuple[dict[str, float], dict[str, float], Carrying]:
    """Spread factors, held-out figures (:func:`report`) and what carries over to an ink never
    printed, of a fitted model."""
    asked = list(cases(model.rows_.X))
    found = at_work(partial(_one, model), [None, *(case.out for case in asked)])
    alone = next(one for one in found if isinstance(one, Alone))
    left = [one for one in found if isinstance(one, LeftOut)]
    share = 0.0  # nothing carries over from one ink alone
    for i, case in enumerate(asked):
        if case.situation == "ink":
            left[i], share = stacked(left[i], alone.error, model.lab_[model.keep_])
    factors = _factors(asked, left)
    return factors, report(model, left[0], alone.dE00), Carrying(share, alone.constants)


def _one(model: ShiftModel, group: Groups | None) -> LeftOut | Alone:
    """What is left out by group; without one, the physics alone."""
    return alone_of(model) if group is None else _leave_out(model, group)


def leave_out(model: ShiftModel, levels: pd.Series) -> LeftOut:
    """Leave out each level of ``levels`` (n,); prints of a missing level stay in, and come
    back as NaN."""
    return _leave_out(model, pd.factorize(levels)[0])


def _leave_out(model: ShiftModel, group: Groups) -> LeftOut:
    design = model.design_
    left = leave_groups_out(design, model.hyper_, model.posterior_, group)
    return LeftOut(design.y - left.mean, left.covariance + unlike(model, group), group)


def unlike(model: ShiftModel, group: Groups) -> Array:
    """What is to be added to covariances (n, 3, 3): how strange a lot or a press is, that is left
    out with all its prints, nobody would have known (`learn.fit.strangeness`)."""
    X, layout, design = model.rows_.X, model.layout_, model.design_
    carded = X["lot"].isin([card.level for card in model.cards_]).to_numpy()
    first, out = layout.first_term, np.zeros((len(group), 3, 3))
    lengths = layout.lengths_of(model.log_lengths_)
    of_terms = zip(
        layout.terms, lengths, design.blocks[first:], model.hyper_.block[first:], strict=True
    )
    for fitted, length, block, log_sd in of_terms:
        if not (fitted.term.tails and fitted.size) or block.direction is None:
            continue
        level = fitted.level_of(X)
        gone = _gone(level, group)
        if fitted.term.levels == "lot":
            gone &= ~carded  # its card would still be there
        psi, rest = fitted.features(X[gone], length)
        unlike = fitted.of_unseen / fitted.strange[level[gone]] - 1
        more = np.exp(2 * log_sd) * unlike * ((psi * psi).sum(axis=1) + rest)
        ways = along(design.directions[gone], block.direction)
        out[gone] += more[:, None, None] * (ways @ ways.transpose(0, 2, 1))
    return out


def _gone(level: Groups, group: Groups) -> NDArray[np.bool_]:
    """Prints (n,) whose whole level is left out with them."""
    known = np.flatnonzero(level >= 0)
    one = np.full(level.max(initial=-1) + 1, -1)  # any one of the groups of each level
    one[level[known]] = group[known]
    apart = np.zeros(len(one), bool)
    apart[level[known[group[known] != one[level[known]]]]] = True
    gone = (level >= 0) & (group >= 0)
    gone[known] &= ~apart[level[known]]
    return gone


def without_own_job(model: ShiftModel) -> LeftOut:
    """Every print as predicted from all jobs but its own."""
    return _leave_out(model, pd.factorize(jobs_of(model.rows_.X["job"]))[0])


def cases(X: pd.DataFrame) -> Iterator[Case]:
    """Every way of leaving prints out that a history allows, by job first; a situation may come
    in several."""
    job = pd.factorize(jobs_of(X["job"]))[0]
    yield Case("job", job, job)
    for situation, column in SITUATIONS.items():
        group = pd.factorize(X[column].where(left_out_of(X[column])))[0]
        if group.max(initial=0) > 0:
            yield Case(situation, group, group)
    press = pd.factorize(X["press"])[0] + 1  # all unknown ones together: they drift as they may
    for later, period in periods(X["day"].to_numpy(float)):
        yield Case("later", np.where(later, 0, -1), np.where(period, press, -1))
    ends = [rows for column in EDGES for rows in edges(X[column].to_numpy(float))]
    for i, rows in enumerate(ends):
        yield Case("outside", np.where(rows, 0, -1), np.where(rows, i, -1))


def spread_factors(model: ShiftModel) -> dict[str, float]:
    """Factor on the standard deviation for each situation, "job" for the usual one."""
    asked = list(cases(model.rows_.X))
    return _factors(asked, [_leave_out(model, case.out) for case in asked])


def _factors(asked: list[Case], left: list[LeftOut]) -> dict[str, float]:
    """:func:`spread_factors`, once all that is asked has been left out."""
    seen: dict[str, list[Errors]] = {}
    for case, out in zip(asked, left, strict=True):
        about = case.group >= 0
        seen.setdefault(case.situation, []).append(Errors(out.z[about], case.group[about]))
    pooled = {situation: dispersion.pooled(found) for situation, found in seen.items()}
    found = dispersion.factors(pooled, ALL_SITUATIONS)
    jobs = len(np.unique(pooled["job"].group))
    return found | {"job": found["job"] * dispersion.tuned(jobs)}


def periods(day: Array) -> Iterator[tuple[NDArray[np.bool_], NDArray[np.bool_]]]:
    """The latest stretches of a history: all that is later than its start, and the stretch."""
    end = np.inf
    for k in range(1, PERIODS + 1):
        if not np.isfinite(day).any():
            return
        start = float(np.nanquantile(day, 1 - k * LATEST_SHARE))
        later = day > start
        period = later & (day <= end)
        if period.any() and not later.all():
            yield later, period
        end = start


def left_out_of(levels: pd.Series) -> NDArray[np.bool_]:
    """Prints (n,) that say something of a level never printed: those whose level is known, and
    not the one most prints are of, without which there would be no such shop."""
    common = levels.map(levels.value_counts()) > len(levels) / 2
    return (levels.notna() & ~common).to_numpy()


def edges(values: Array) -> list[NDArray[np.bool_]]:
    """The prints at the low and at the high end of a process number, where it varies."""
    known = values[np.isfinite(values)]
    if not len(known) or np.ptp(known) == 0:
        return []
    low, high = np.quantile(known, [EDGE_SHARE, 1 - EDGE_SHARE])
    with np.errstate(invalid="ignore"):
        ends = [values <= low, values >= high]
    return [rows for rows in ends if 0 < rows.sum() <= 3 * EDGE_SHARE * len(values)]


def alone_of(model: ShiftModel) -> Alone:
    """The physics alone on the prints of a model."""
    physics = model.physics_alone(bands=False)
    measured = physics.lab_[physics.keep_]
    by_job = without_own_job(physics).error
    # of a long history it has seen a part, and no ink of the rest moves it
    error = model.lab_[model.keep_] - physics.means(model.prints_[model.keep_])
    seen = first_prints(model.rows_.X, FIRST_PRINTS, model.random_state)
    inks = next((c.out for c in cases(model.rows_.X) if c.situation == "ink"), None)
    if inks is not None:
        without = _leave_out(physics, inks[seen]).error
        error[seen] = np.where(np.isfinite(without), without, error[seen])
    dE00 = float(np.median(delta_e00(measured - by_job, measured)))
    return Alone(physics.layout_.state(physics.weights_).constants, error, dE00)


def report(model: ShiftModel, left: LeftOut, physics: float) -> dict[str, float]:
    """Held-out figures of a fitted model, every job predicted from all others (``left``);
    ``physics``: the median difference of the physics alone.

    Coverage is cross-checked: the spread factor comes from one half of the jobs, the
    coverage from the other.
    """
    X, measured = model.rows_.X, model.lab_[model.keep_]
    predicted = measured - left.error
    half = left.group % 2
    inside = []
    for a in (0, 1):
        factor = dispersion.factor(Errors(left.z[half == a], left.group[half == a]))
        inside.append(np.abs(left.z[half != a]) <= Z90 * factor)
    some = first_prints(X, FIRST_PRINTS, model.random_state)  # every pair is compared
    same_job = left.group[some, None] == left.group
    nearest = nearest_past_print(X, measured, X[some], exclude=same_job)
    return {
        "n_prints": len(X),
        "n_jobs": int(left.group.max() + 1),
        "n_set_aside": int((~model.keep_).sum()),
        "median_dE00": float(np.median(delta_e00(predicted, measured))),
        "coverage90": float(np.concatenate(inside).mean()),
        "nearest_median_dE00": float(np.median(delta_e00(nearest, measured[some]))),
        "physics_median_dE00": physics,
    }


def nearest_past_print(
    history: pd.DataFrame,
    lab: Array,
    setups: pd.DataFrame,
    exclude: NDArray[np.bool_] | None = None,
) -> Array:
    """Lab (n, 3) of the print a person would look up: same ink, then the most alike.

    Parameters
    ----------
    history, setups : encoded features (:meth:`learn.fit.encoding.Encoder.process`)
    lab : (m, 3) measured colours of the history
    exclude : (n, m) prints that may not be used for a set-up, such as its own job
    """
    distance = np.zeros((len(setups), len(history)))
    # How much a difference matters to someone leafing through the records.
    for column, weight in {
        "ink": 100.0,
        "substrate": 6.0,
        "based": 20.0,
        "base_ink": 6.0,
        "lot": 0.5,
        "press": 1.0,
    }.items():
        a = setups[column].astype(object).fillna("").to_numpy()
        b = history[column].astype(object).fillna("").to_numpy()
        distance += weight * (a[:, None] != b)
    for column, weight in {"log_volume": 4.0, "wet_strokes": 1.0, "flashes": 2.0}.items():
        distance += weight * np.abs(setups[column].to_numpy()[:, None] - history[column].to_numpy())
    if exclude is not None:
        distance[exclude] = np.inf
    return lab[distance.argmin(axis=1)]
