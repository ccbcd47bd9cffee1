"""A fitted model held against its own history, one kind of novelty after the other.

Every print is predicted without its own job, ink, garment, mesh or press, without the
latest weeks, or without the end of a process number it lies at, in closed form. Beside its
error stand the scatter of press and instrument, which no model goes below, the physics
alone and the nearest past print.

Spread factors are learnt from such residuals (:mod:`learn.predict.calibration`), so coverage is
cross-checked: the factor of a kind comes from one half of its groups, its coverage from
the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.assessment.reliability import Share, binomial_band, grouped_share
from learn.assessment.scores import crps_gaussian, energy_score, pit_gaussian
from learn.colour.colorimetry import delta_e00
from learn.colour.difference import from_mean
from learn.normal import Z90, quasi_random, sd_of
from learn.predict import calibration, dispersion
from learn.predict.calibration import Case, nearest_past_print
from learn.predict.carrying import stacked
from learn.predict.dispersion import Errors, pooled
from learn.predict.model import ShiftModel
from learn.workers import at_work

Array = NDArray[np.floating]

DRAWS = 96
PIT_BINS = 10


@dataclass(frozen=True)
class Forecasts:
    """m prints of one kind as they would have been predicted."""

    kind: str
    at: NDArray[np.intp]  # (m,) positions in the history
    group: NDArray[np.intp]  # (m,)
    measured: Array  # (m, 3) Lab
    mean: Array  # (m, 3)
    covariance: Array  # (m, 3, 3) widened by the factor of the other half
    noise: Array  # (m, 3, 3) scatter of press and instrument in it
    physics: Array  # (m, 3) by physics alone
    nearest: Array | None  # (m, 3); None where there is none to look up

    @property
    def error(self) -> Array:
        """dE00 from predicted to measured, (m,)."""
        return delta_e00(self.mean, self.measured)

    @property
    def sd(self) -> Array:
        return sd_of(self.covariance)

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Whether L, a, b fell inside their 90 % bands, (m, 3)."""
        return np.abs(self.measured - self.mean) <= Z90 * self.sd


@dataclass(frozen=True)
class KindScore:
    """How one kind did; errors are medians of dE00 to the measured colour."""

    kind: str
    n: int
    groups: int
    floor: float  # median dE00 of a print from its noise-free colour
    error: float
    physics: float
    nearest: float | None
    coverage: Share  # of L, a and b by their 90 % bands
    honest: tuple[float, float]  # where honest bands would cover, 95 times in 100
    half_width: float  # of the bands, mean over L, a, b; median over prints
    crps: float
    energy: float
    pit: Array  # (PIT_BINS,) counts of L, a and b


def forecasts(model: ShiftModel, physics: ShiftModel) -> list[Forecasts]:
    """Every kind the history allows; both models have their history (`ShiftModel.recall`)."""
    history = model.history()
    measured, noise = history.lab, history.noise
    asked = list(calibration.cases(history.X))
    parts: dict[str, list[tuple]] = {}
    for case, part in zip(asked, at_work(partial(_without, model, physics), asked), strict=True):
        parts.setdefault(case.situation, []).append(part)
    out = []
    for kind in filter(parts.get, calibration.ALL_SITUATIONS):
        at, group, error, covariance, z, alone, nearest = zip(*parts[kind], strict=True)
        errors = pooled([Errors(*one) for one in zip(z, group, strict=True)])
        rows = np.concatenate(at)
        factor = crossed_factors(errors)
        out.append(
            Forecasts(
                kind,
                rows,
                errors.group,
                measured[rows],
                measured[rows] - np.concatenate(error),
                factor[:, None, None] ** 2 * np.concatenate(covariance),
                noise[rows],
                measured[rows] - np.concatenate(alone),
                None if nearest[0] is None else np.concatenate(nearest),
            )
        )
    return out


def _without(model: ShiftModel, physics: ShiftModel, case: Case) -> tuple:
    """Of the prints judged in a case: positions, groups, errors with covariance and standardised,
    errors of the physics alone, and Lab of the nearest past prints, if any."""
    history, at = model.history(), np.flatnonzero(case.group >= 0)
    out = pd.Series(case.out).where(case.out >= 0)
    left, alone = model.leave_out(out), physics.leave_out(out)
    if case.situation == "ink":
        left, _ = stacked(left, alone.error, history.lab)
    nearest = None
    if case.situation != "ink":
        same = case.out[at, None] == case.out
        nearest = nearest_past_print(history.X, history.lab, history.X.iloc[at], exclude=same)
    error, covariance, z = left.error[at], left.covariance[at], left.z[at]
    return at, case.group[at], error, covariance, z, alone.error[at], nearest


def crossed_factors(errors: Errors, seed: int = 0) -> Array:
    """Factor on the standard deviation of each print (n,), learnt from the other half.

    Groups are split at random into halves. Residuals in closed form are compared with
    bands in closed form, so the `dispersion.allowance` for their optimism enters on
    neither side.
    """
    names, code = np.unique(errors.group, return_inverse=True)
    half = (np.random.default_rng(seed).permutation(len(names)) % 2)[code]
    factor = np.empty(len(code))
    for mine in (0, 1):
        other = half != mine
        factor[half == mine] = dispersion.factor(Errors(errors.z[other], errors.group[other]))
    return factor


def expected_difference(mean: Array, covariance: Array) -> Array:
    """dE00 (n, DRAWS) of draws from N(mean, covariance) to the mean."""
    return from_mean(mean, covariance, quasi_random(DRAWS, 3))


def score_kind(f: Forecasts) -> KindScore:
    """The figures of one kind."""
    coverage = grouped_share(f.inside, f.group)
    rng = np.random.default_rng(0)
    unit = rng.multivariate_normal(np.zeros(3), np.eye(3), (len(f.at), DRAWS))
    samples = f.mean[:, None] + unit @ np.linalg.cholesky(f.covariance).transpose(0, 2, 1)
    pit = pit_gaussian(f.mean, f.sd, f.measured)

    def median(lab: Array) -> float:
        return float(np.median(delta_e00(lab, f.measured)))

    return KindScore(
        kind=f.kind,
        n=len(f.at),
        groups=len(np.unique(f.group)),
        floor=float(np.median(expected_difference(f.mean, f.noise))),
        error=median(f.mean),
        physics=median(f.physics),
        nearest=None if f.nearest is None else median(f.nearest),
        coverage=coverage,
        honest=binomial_band(coverage.trials),
        half_width=float(Z90 * np.median(f.sd.mean(axis=1))),
        crps=float(crps_gaussian(f.mean, f.sd, f.measured).mean()),
        energy=float(energy_score(samples, f.measured, fair=True).mean()),
        pit=np.histogram(pit, np.linspace(0, 1, PIT_BINS + 1))[0],
    )
