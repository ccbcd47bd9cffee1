"""What is measured of predictions of held-out prints: error, honesty, sharpness, verdicts.

Errors are dE00 to the noise-free colour where it is known (invented shops), else to the
measured one. All else is about the measured colour: coverage of L, a and b by their 90 % bands
and the mean width of these; CRPS a channel and energy score of the three (both in Lab units,
both reward sharp and honest forecasts: `learn.assessment.scores`); deciles of the PIT, each 10 %
when honest, the outer ones too full when the bands are too narrow.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.assessment.scores import crps_gaussian, energy_score, pit_gaussian
from learn.colour.colorimetry import delta_e00
from learn.normal import Z90
from learn.predict.model import ShiftModel
from learn.predict.verdict import ask_for_test
from tests.benchmarks.shops import Held

Array = NDArray[np.floating]

ENERGY_DRAWS = 400


class Answer(NamedTuple):
    """What a model says of n set-ups."""

    mean: Array  # (n, 3)
    covariance: Array  # (n, 3, 3)
    waved: NDArray[np.bool_]  # (n,) as predictable as the shop asks for

    @property
    def sd(self) -> Array:
        """(n, 3)"""
        return np.sqrt(np.einsum("nii->ni", self.covariance))


def answer(model: ShiftModel, held: Held) -> Answer:
    """Colours, covariances and verdicts of held-out set-ups."""
    predicted = model.predict_lab(held.setups)
    p = model.predict(held.setups)["p_in_tolerance"].to_numpy()
    waved = ~ask_for_test(p, model.settings_)
    return Answer(predicted.mean, predicted.covariance, waved)


def colours(model: ShiftModel, held: Held) -> Answer:
    """The same without verdicts, which take longer than the rest."""
    predicted = model.predict_lab(held.setups)
    return Answer(predicted.mean, predicted.covariance, np.zeros(len(held), bool))


def median_dE00(lab: Array, aim: Array) -> float:
    """Median CIEDE2000 between rows."""
    return float(np.median(delta_e00(lab, aim)))


def bands(said: Answer, held: Held) -> dict[str, Array]:
    """Everything about error and bands, print by print: (n,) or (n, 3)."""
    half = Z90 * said.sd
    rng = np.random.default_rng(0)
    z = rng.normal(size=(len(held), ENERGY_DRAWS, 3))
    draws = said.mean[:, None] + z @ np.linalg.cholesky(said.covariance).transpose(0, 2, 1)
    return {
        "dE00": delta_e00(said.mean, held.aim),
        "inside": np.abs(held.measured - said.mean) <= half,
        "width": 2 * half,
        "energy": energy_score(draws, held.measured, fair=True),
        "CRPS": crps_gaussian(said.mean, said.sd, held.measured),
        "PIT": pit_gaussian(said.mean, said.sd, held.measured),
    }


def summary(found: dict[str, Array], rows: NDArray | slice = slice(None)) -> dict[str, float]:
    """One line on error and bands, over all prints or those at ``rows``."""
    dE = found["dE00"][rows]
    return {
        "n": len(dE),
        "dE00": float(np.median(dE)),
        "p90": float(np.quantile(dE, 0.9)),
        "cover %": 100 * float(found["inside"][rows].mean()),
        "width": float(found["width"][rows].mean()),
        "CRPS": float(found["CRPS"][rows].mean()),
        "energy": float(found["energy"][rows].mean()),
    }


def interval_summary(mean: Array, lo: Array, hi: Array, held: Held) -> dict[str, float]:
    """Error, coverage and width of forecasts that give nothing but a middle and two ends."""
    return {
        "dE00": median_dE00(mean, held.aim),
        "cover %": 100 * float(((lo <= held.measured) & (held.measured <= hi)).mean()),
        "width": float((hi - lo).mean()),
    }


def deciles(found: dict[str, Array], rows: NDArray | slice = slice(None)) -> dict[str, float]:
    """Share of L, a and b, %, in each tenth of the forecast's distribution."""
    counts, edges = np.histogram(found["PIT"][rows], bins=10, range=(0, 1))
    names = [f"{100 * low:.0f}-" for low in edges[:-1]]
    return dict(zip(names, 100 * counts / counts.sum(), strict=True))


def verdicts(
    said: Answer,
    held: Held,
    tolerance: float,
    oracle: NDArray[np.bool_] | None = None,
    rows: NDArray | slice = slice(None),
) -> dict[str, float]:
    """Shares waved through, against an oracle's share, and how many of them held.

    *Held*: the measured colour came out within ``tolerance`` (dE00) of the prediction.
    """
    waved = said.waved[rows]
    within = (delta_e00(said.mean, held.measured) <= tolerance)[rows]
    found = {"n": len(waved), "waved %": 100 * waved.mean()}
    if oracle is not None:
        found["oracle %"] = 100 * oracle[rows].mean()
        found["of oracle"] = waved.mean() / max(oracle[rows].mean(), 1e-9)
    return found | {"held %": 100 * within[waved].mean() if waved.any() else np.nan}


def by_tenths(said: Array, true: Array) -> dict[str, dict[str, float]]:
    """Stated against true chances, (n,) each, by tenths of what is stated; "give or take": 90 %."""
    said, true = np.asarray(said, float), np.asarray(true, float)
    tenth = np.minimum((10 * said).astype(int), 9)
    found = {}
    for low in np.unique(tenth):
        own = tenth == low
        spread = true[own].std(ddof=1) / np.sqrt(own.sum()) if own.sum() > 1 else np.nan
        found[f"{10 * low} to {10 * low + 10} %"] = {
            "n": int(own.sum()),
            "stated %": 100 * said[own].mean(),
            "true %": 100 * true[own].mean(),
            "give or take %": 100 * Z90 * spread,
        }
    return found
