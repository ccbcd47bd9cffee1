"""Forecasts against what came off the press, print by print; which of two models forecast better.

Prints of one job err together, so every uncertainty here is over jobs.
"""

from __future__ import annotations

import copy
from collections.abc import Collection
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from learn.assessment.reliability import binomial_band, grouped_share
from learn.assessment.scores import crps_gaussian, energy_score
from learn.colour.colorimetry import delta_e00
from learn.colour.difference import difference
from learn.fit.slips import is_gross
from learn.gp.posterior import one_thread
from learn.normal import Z90, mirrored, sd_of, squared_distance
from learn.physics.drawdowns import lab_columns
from learn.predict.verdict import chance_needed
from learn.shop import jobs_of

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel
    from learn.shop import Shop

Array = NDArray[np.floating]

JUDGED = ["sure", "held"]  # of `forecast` alone
COLUMNS = ["print_id", "job", "dE00", "inside", "energy", "expected", "crps", "distance"]
DRAWS = 128  # of a forecast, for its energy score; the same for every print and model
FEWEST_JOBS = 5  # below which nothing is compared
HONEST_JOBS = 8  # below which nothing is said about hyper-parameters
# A departure smaller than this is no reason to fit again, however sure: share of values in
# the 90 % bands; energy score as a share of what was expected.
COVERAGE_OFF, ENERGY_OFF = 0.03, 0.10
# A candidate is refused when it is worse by more than this, with 95 % confidence or over so many
# jobs. What it has learnt anew is worth a smaller loss on what was known, however sure.
WORSE_BY, MANY_JOBS = 0.05, 20
BOOTSTRAPS = 2000


class Honesty(NamedTuple):
    """Coverage and energy score of forecasts against what honest ones would give."""

    prints: int
    jobs: int
    coverage: float  # of L, a and b by their 90 % intervals
    band: tuple[float, float]  # where honest bands would put it 99 times in 100
    energy: float  # mean energy score over the mean the forecasts themselves expect
    energy_lo: float  # 99 % interval
    energy_hi: float

    @property
    def moved(self) -> str | None:
        """What contradicts how sure the model is, in words; None where nothing does."""
        if self.jobs < HONEST_JOBS:
            return None
        low, high = self.band
        if not low <= self.coverage <= high and abs(self.coverage - 0.9) > COVERAGE_OFF:
            return (
                f"the 90 % bands held {100 * self.coverage:.0f} % over {self.jobs} jobs, "
                f"right ones hold {100 * low:.0f} to {100 * high:.0f} %"
            )
        sure = self.energy_lo > 1 or self.energy_hi < 1
        if sure and abs(self.energy - 1) > ENERGY_OFF:
            return (
                f"over {self.jobs} jobs its errors were {self.energy:.2f} times what it expected "
                f"(99 % sure: {self.energy_lo:.2f} to {self.energy_hi:.2f} times)"
            )
        return None


class Paired(NamedTuple):
    """A candidate against another on the same prints."""

    prints: int
    jobs: int
    change: float  # of the mean energy score, as a share of the other's; below 0 is better
    lo: float  # 90 % interval
    hi: float

    @property
    def worse(self) -> bool:
        """Worse by too much to risk it."""
        return self.surely_worse or (self.jobs >= MANY_JOBS and self.change > WORSE_BY)

    @property
    def surely_worse(self) -> bool:
        """Worse beyond doubt, and by enough to matter."""
        return self.lo > 0 and self.change > WORSE_BY


@one_thread
def forecast(model: ShiftModel, prints: pd.DataFrame) -> pd.DataFrame:
    """Score what a model says of prints (rows of the shop's table) it has not learnt from.

    Columns `COLUMNS`; prints without a colour, or of things the model was never told of, are
    left out. ``inside`` counts L, a, b within their 90 % intervals; ``expected`` is the energy
    score that the forecast itself expects; ``distance`` is in standard deviations. `JUDGED`
    besides: ``sure`` where a job that aimed at the forecast would have gone straight to
    production, and ``held`` where the print came out within tolerance of it.
    """
    prints = prints.reset_index(drop=True)
    if not len(prints):
        return pd.DataFrame(columns=[*COLUMNS, *JUDGED])
    told = np.atleast_1d(np.isfinite(lab_columns(prints, model.viewing_)).all(axis=1))
    told[model.encoder_.unknown(prints)["row"].to_numpy(int)] = False
    prints = prints[told].reset_index(drop=True)
    if not len(prints):
        return pd.DataFrame(columns=[*COLUMNS, *JUDGED])
    p, tolerance = model.predict_lab(prints), model.settings_.tolerance_dE00
    found = scored(prints, lab_columns(prints, model.viewing_), p.mean, p.covariance)
    own = difference(p.mean, p.covariance, p.mean, np.full(len(prints), tolerance))
    sure = own.p_within >= chance_needed(model.settings_)
    return found.assign(sure=sure, held=found["dE00"] <= tolerance)


def left_out(model: ShiftModel) -> pd.DataFrame:
    """The same of every print learnt from, by the model without its job (closed form)."""
    history = model.history()
    left = model.leave_out(jobs_of(history.X["job"]))
    covariance = model.spread_factors_["job"] ** 2 * left.covariance
    return scored(history.prints, history.lab, history.lab - left.error, covariance)


def by_halves(
    model: ShiftModel, shop: Shop, new: Collection[str], trusted: Collection[str], seed: int = 0
) -> pd.DataFrame:
    """What appending a batch would have done for it: half of its jobs learnt, the others
    forecast, and the other way round. ``new``: print_ids of the batch."""
    is_new = shop.prints["print_id"].isin(list(new)).to_numpy()
    job = _jobs(shop.prints)
    names = np.random.default_rng(seed).permutation(np.unique(job[is_new]))
    found = []
    for half in (names[::2], names[1::2]):
        out = is_new & np.isin(job, half)
        grown = copy.copy(model)  # append replaces what it changes
        grown.append(replace(shop, prints=shop.prints[~out].reset_index(drop=True)), None, trusted)
        found.append(forecast(grown, shop.prints[out]))
    return pd.concat(found, ignore_index=True)


def scored(prints: pd.DataFrame, lab: Array, mean: Array, covariance: Array) -> pd.DataFrame:
    """Forecasts N(mean (n, 3), covariance (n, 3, 3)) of prints against ``lab`` (n, 3)."""
    z = mirrored(DRAWS // 2, 3, seed=0)
    away = np.einsum("nij,mj->nmi", np.linalg.cholesky(covariance), z)
    sd = sd_of(covariance)
    columns = (
        prints["print_id"].to_numpy(),
        _jobs(prints),
        delta_e00(mean, lab),
        (np.abs(lab - mean) <= Z90 * sd).sum(axis=1),
        energy_score(mean[:, None] + away, lab, fair=True),
        # two draws differ as one from the mean does, sqrt(2) times as far; half of it
        np.linalg.norm(away, axis=2).mean(axis=1) / np.sqrt(2),
        crps_gaussian(mean, sd, lab).mean(axis=1),
        np.sqrt(squared_distance(lab - mean, covariance)),
    )
    return pd.DataFrame(dict(zip(COLUMNS, columns, strict=True)))


def honesty(forecasts: pd.DataFrame) -> Honesty:
    """Forecasts (`COLUMNS`) against what honest ones would give; gross errors do not count."""
    good = forecasts[~gross(forecasts)]
    if not len(good):
        return Honesty(0, 0, np.nan, (0.0, 1.0), np.nan, np.nan, np.nan)
    inside = good["inside"].to_numpy(int)[:, None] > np.arange(3)
    share = grouped_share(inside, good["job"].to_numpy())
    sums = good.groupby("job")[["energy", "expected"]].sum()
    ratio = float(sums["energy"].sum() / sums["expected"].sum())
    jobs, half = len(sums), np.inf
    if jobs > 1:  # a ratio of sums, linearised
        apart = (sums["energy"] - ratio * sums["expected"]).to_numpy() / sums["expected"].mean()
        half = stdtrit(jobs - 1, 0.995) * float(np.std(apart, ddof=1)) / np.sqrt(jobs)
    band = binomial_band(share.trials, level=0.99)
    return Honesty(len(good), jobs, share.share, band, ratio, ratio - half, ratio + half)


def compare(candidate: pd.DataFrame, other: pd.DataFrame, seed: int = 0) -> Paired | None:
    """Two models' forecasts (`COLUMNS`) of the prints both forecast, by a bootstrap over jobs.

    The interval is widened by Student's t for few jobs (and for the variance of a bootstrap,
    (J - 1) / J of what it should be). None with fewer than `FEWEST_JOBS`. What both call a
    gross error does not count.
    """
    both = candidate.merge(other, on="print_id", suffixes=("", "_other"))
    both = both[~(gross(both) & gross(both, "_other"))]
    sums = both.groupby("job")[["energy", "energy_other"]].sum().to_numpy(float)
    if len(sums) < FEWEST_JOBS:
        return None
    jobs = len(sums)
    change = float(sums[:, 0].sum() / sums[:, 1].sum() - 1)
    drawn = np.random.default_rng(seed).multinomial(jobs, np.full(jobs, 1 / jobs), BOOTSTRAPS)
    drawn = drawn @ sums
    wider = stdtrit(jobs - 1, 0.95) / Z90 * np.sqrt(jobs / (jobs - 1))
    ends = np.quantile(drawn[:, 0] / drawn[:, 1] - 1, [0.05, 0.95])
    lo, hi = change + wider * (ends - change)
    return Paired(len(both), jobs, change, float(lo), float(hi))


def gross(forecasts: pd.DataFrame, of: str = "") -> pd.Series:
    """Which lie so far off that the learner would set them aside; ``of``: suffix of the columns."""
    distance, dE00 = (forecasts[f"{column}{of}"].astype(float) for column in ("distance", "dE00"))
    return is_gross(distance**2, dE00)


def _jobs(prints: pd.DataFrame) -> NDArray:
    """Labels (n,): the job, or the print itself where none is given."""
    return jobs_of(prints["job_id"], prints["print_id"]).to_numpy(str)
