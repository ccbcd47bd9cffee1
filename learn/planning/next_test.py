"""Which test print teaches most: what each would save over all open jobs.

A test print of one job settles that job, and moves the prediction of every job that shares ink,
garment, press or screen with it. Before it is pulled its reading is unknown, but not how readings
scatter: averaged over them, the cost that is left is what the test print leads to expect
(pre-posterior analysis, Raiffa & Schlaifer 1961, Applied Statistical Decision Theory). One Gaussian
update a candidate, under the spread factors that hold after it. So a test print that its own job
needs anyway costs nothing more; what counts is which goes first, as it may spare others. Where none
saves anything, it is the one whose run risks most.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.difference import within
from learn.errors import Unusable
from learn.normal import drawn_errors, scattered, sd_of
from learn.planning.prospect import Prospect, spread_after
from learn.predict.causes import Unseen, Verdict
from learn.shop import ShopSettings

if TYPE_CHECKING:
    from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]

READINGS_TRIED = 12  # outcomes of a test print, and mirrored
PRINTS_TRIED = 192  # prints under each
UNTOUCHED = 1e-3  # share of its variance below which a job learns nothing from a test
PROVEN = 2  # prints of a lot that have to agree: one may be off by itself
NOTHING = 0.05  # saving, in test prints, that is told as none
TARGET = ["target_L", "target_a", "target_b"]


class Unproven(NamedTuple):
    """A lot of open jobs that too few prints tell of."""

    ink: str
    lot: str
    prints: int  # of it so far
    jobs: tuple[str, ...]  # setup_id of every open job of it, the one to test first at the head


class Worth(NamedTuple):
    """A test print of each of n set-ups."""

    saving: Array  # (n,) expected over all, the test print paid; one its job wants counts as spent
    spared: Array  # (n,) test prints of others it leads to expect to spare
    sd: Array  # (n,) mean standard deviation of the prediction


class Spread(NamedTuple):
    """Factors on standard deviations of n set-ups."""

    now: Array  # (n,)
    after: Array  # (n, n) once each of them has been printed, which comes first


class Wanted(NamedTuple):
    """Which of n set-ups want a test print whatever their chance (`Unseen.wants_test`)."""

    now: NDArray[np.bool_]  # (n,)
    after: NDArray[np.bool_]  # (n, n) once each of them has been printed, which comes first

    @classmethod
    def of(cls, unseen: Sequence[Collection[Unseen]], settles: NDArray[np.bool_]) -> Wanted:
        """A print of what nobody has printed yet tells of all that share it; of prints that do not
        fit, or wait for a decision, one more settles only its own job. ``settles``: see
        :func:`rank`."""
        reasons = [*dict.fromkeys(u for some in unseen for u in some if u.wants_test)]
        has = np.array([[u in some for u in reasons] for some in unseen], bool)
        has = has.reshape(len(unseen), len(reasons))
        told = has & np.array([u.how not in ("contradict", "waits") for u in reasons], bool)
        left = (has & ~told[:, None]).any(axis=2)
        return cls(has.any(axis=1) & settles, left & settles)


def rank_tests(model: PrintModel, setups: pd.DataFrame) -> pd.DataFrame:
    """Every set-up as a test print, the one that saves most first (`in_order`).

    Parameters
    ----------
    setups : frame of open jobs with ``setup_id``, ``target_L``, ``target_a``, ``target_b`` and,
        if wanted, ``tolerance_dE00``; every row is one run to come

    Returns
    -------
    frame ``setup_id``; ``verdict``, ``cause``, ``unseen`` and chance ``p`` of the job by itself, as
    predicted; ``saving`` expected over all jobs, the test print paid unless its own job wants it
    anyway (in the shop's currency, or in test prints where it names no costs); ``spared``, test
    prints of other jobs it leads to expect to spare; ``risk``, what running it now is expected to
    spoil, in the same unit; ``sd``, mean standard deviation of the prediction.

    Raises
    ------
    Unusable
        when a set-up has no target, or names what the tables do not hold.
    """
    target = setups.reindex(columns=TARGET).to_numpy(float)
    lost = ~np.isfinite(target).all(axis=1)
    if lost.any():
        msg = f"{setups['setup_id'].iloc[int(lost.argmax())]} has no target: give it one"
        raise Unusable(msg)
    settings = model.settings_
    tolerance = setups.reindex(columns=["tolerance_dE00"]).to_numpy(float)[:, 0]
    tolerance = np.where(np.isnan(tolerance), settings.tolerance_dE00, tolerance)
    told = model.predict(setups)[["setup_id", "verdict", "cause", "unseen", "p_in_tolerance"]]
    settles = (told["verdict"] != Verdict.CHANGE).to_numpy()
    spread = Spread(model.spread(setups), spread_after(model, setups))
    known, wanted = Prospect.of(model, setups), Wanted.of(told["unseen"], settles)
    worth = rank(known, spread, target, tolerance, settings, settles, wanted)
    # one chance is told of a job, here and where it is predicted
    told = told.rename(columns={"p_in_tolerance": "p"})
    risk = (1 - told["p"]) * _costs(settings)[1]
    return in_order(told.assign(risk=risk, **worth._asdict()), settings)


def saves(ranked: pd.DataFrame, settings: ShopSettings) -> bool:
    """Whether any test print saves more than the draws can tell from nothing."""
    return bool(ranked["saving"].max() > NOTHING * _costs(settings)[0])


def unproven_lots(
    ranked: pd.DataFrame, setups: pd.DataFrame, prints_of: Callable[[str, str], int]
) -> list[Unproven]:
    """The lots of open jobs that were never printed, or once, in the order of ``ranked``.

    A test print of one of its jobs moves all of them: that is in what it saves.

    ``prints_of``: how many prints of an ink and lot were learnt from.
    """
    known = setups.set_index("setup_id").loc[ranked["setup_id"], ["ink_id", "ink_lot"]].dropna()
    found = []
    for (ink, lot), jobs in known.groupby(["ink_id", "ink_lot"], sort=False):
        if (prints := prints_of(ink, lot)) < PROVEN:
            found.append(Unproven(ink, lot, prints, tuple(jobs.index)))
    return found


def in_order(found: pd.DataFrame, settings: ShopSettings) -> pd.DataFrame:
    """Test prints in the order to pull them.

    The one that saves most first. Where none saves anything, by risk: first the jobs that a test
    print settles, of these the one with the most to lose.
    """
    if saves(found, settings):
        return found.sort_values("saving", ascending=False, kind="stable", ignore_index=True)
    settled = found["verdict"] == Verdict.TEST
    order = np.lexsort([-found["risk"], ~settled])
    return found.iloc[order].reset_index(drop=True)


def rank(
    known: Prospect,
    spread: Spread,
    target: Array,
    tolerance: Array,
    settings: ShopSettings,
    settles: NDArray[np.bool_],
    wanted: Wanted | None = None,
) -> Worth:
    """What a test print of each of n set-ups is worth, for targets (n, 3), tolerances (n,).

    A reading scatters as its prediction says, spread factor and all, and is learnt without one.

    ``settles`` (n,): whether a test print settles its own job; it does not where the set-up has
    to change (`learn.predict.causes`), and such a job is not tested. ``wanted``: those whose test
    print is spent whatever their chance; none unless given.
    """
    test, spoiled = _costs(settings)
    n = len(target)
    at = np.arange(n)
    predicted = _times(known.now.own() + known.now.scatter, spread.now)
    p_now = _chance(known.now.mean[:, None], predicted, target, tolerance)[:, 0]
    wanted = wanted or Wanted(np.zeros(n, bool), np.zeros((n, n), bool))
    now = np.where(wanted.now, test, np.minimum(test, (1 - p_now) * spoiled))
    tested_now = ((1 - p_now) * spoiled > test) | wanted.now
    saving, spared = np.empty(n), np.empty(n)
    least = UNTOUCHED * np.einsum("nii->n", predicted)
    readings, still = drawn_errors(READINGS_TRIED, 3, seed=1), np.zeros((1, 3))
    for t in range(n):
        once = known.once(t)
        seen = once.unknown[:, :, t, :]  # (n, 3, 3)
        gain = np.linalg.solve(seen[t] + once.scatter[t], seen.transpose(0, 2, 1))
        gain = gain.transpose(0, 2, 1)
        moved = gain @ predicted[t] @ gain.transpose(0, 2, 1)
        moves = np.einsum("nii->n", moved) > least
        learnt = once.own() - gain @ seen.transpose(0, 2, 1)
        left = _times(learnt + once.scatter, spread.after[t])
        mean = once.mean + gain @ (known.now.mean[t] - once.mean[t])
        after, again = now.copy(), tested_now.astype(float)
        # of most others the reading tells nothing, but they may be judged otherwise
        other = (spread.after[t] != spread.now) | (wanted.after[t] != wanted.now)
        for some, ways in ((moves, readings), (~moves & other, still)):
            if some.any():
                shifts = scattered(moved[some], ways)
                p = _chance(mean[some, None] + shifts, left[some], target[some], tolerance[some])
                risk = (1 - p) * spoiled
                after[some] = np.minimum(test, risk).mean(axis=1)
                again[some] = (risk > test).mean(axis=1)
        after, again = np.where(wanted.after[t], test, after), np.maximum(again, wanted.after[t])
        if settles[t]:
            after[t] = 0.0  # settled, as `learn.predict.costs.decide` takes it
        saving[t] = (now - after).sum() - test
        spared[t] = (tested_now - again)[settles & (at != t)].sum()
    return Worth(saving, spared, sd_of(predicted).mean(axis=1))


def _times(covariance: Array, spread: Array) -> Array:
    """Covariances (n, 3, 3) with standard deviations ``spread`` (n,) times as wide."""
    wide: Array = covariance * (spread**2)[:, None, None]
    return wide


def _costs(settings: ShopSettings) -> tuple[float, float]:
    """Test print and spoiled run; those that the confidence stands for where none are given."""
    if settings.cost_test_print is None or settings.cost_spoiled_print is None:
        return 1.0, 1.0 / max(1e-6, 1 - settings.confidence)
    return settings.cost_test_print, settings.cost_spoiled_print


def _chance(means: Array, covariance: Array, target: Array, tolerance: Array) -> Array:
    """(n, k) chance to lie within tolerance, for k means (n, k, 3) a covariance (n, 3, 3)."""
    off = scattered(covariance, drawn_errors(PRINTS_TRIED, 3, seed=2))  # (n, draws, 3)
    dE = delta_e00(means[:, :, None] + off[:, None], target[:, None, None])
    return within(dE, tolerance[:, None, None])
