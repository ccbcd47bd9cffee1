"""How good predictions are on prints that were not learnt from, and what to beat."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00

Array = NDArray[np.float64]

Z90 = 1.6448536269514722


class Score(NamedTuple):
    """Error and honesty on n held-out prints."""

    n: int
    median_dE00: float
    p90_dE00: float
    coverage90: float  # of L, a and b by their 90 % intervals, pooled
    mean_sd: float


def score(mean: Array, covariance: Array, measured: Array, truth: Array | None = None) -> Score:
    """Score predictions N(mean, covariance).

    The error is to ``truth`` (the noise-free colour) where it is known, else to the
    measured colour; coverage is always of the measured colour.
    """
    sd = np.sqrt(np.einsum("nii->ni", covariance))
    dE = delta_e00(mean, measured if truth is None else truth)
    inside = np.abs(measured - mean) <= Z90 * sd
    return Score(
        len(dE),
        float(np.median(dE)),
        float(np.quantile(dE, 0.9)),
        float(inside.mean()),
        float(sd.mean()),
    )


def nearest_past_print(
    history: pd.DataFrame,
    lab: Array,
    setups: pd.DataFrame,
    exclude: NDArray[np.bool_] | None = None,
) -> Array:
    """Lab (n, 3) of the print a person would look up: same ink, then the most alike.

    Parameters
    ----------
    history, setups : encoded features (:meth:`learn.features.Encoder.process`)
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


def plain_regressor(history: pd.DataFrame, lab: Array, setups: pd.DataFrame) -> Array:
    """Lab (n, 3) by boosted trees on the same features, without any physics."""
    from sklearn.ensemble import HistGradientBoostingRegressor  # slow to import

    numbers = history.select_dtypes("number").columns
    numbers = [c for c in numbers if history[c].notna().any()]
    levels = ["ink", "base_ink", "lot", "press", "substrate", "fibre"]
    codes = {c: pd.Index(sorted(history[c].dropna().unique())) for c in levels}

    def table(X: pd.DataFrame) -> Array:
        coded = [codes[c].get_indexer(X[c]).astype(float) for c in levels]
        coded = [np.where(v < 0, np.nan, v) for v in coded]
        return np.column_stack([X[numbers].to_numpy(float), *coded])

    def channel(y: Array) -> Array:
        trees = HistGradientBoostingRegressor(max_iter=300, learning_rate=0.06, random_state=0)
        return trees.fit(table(history), y).predict(table(setups))

    return np.column_stack([channel(lab[:, c]) for c in range(3)])


def spread_factor(z: Array, group: NDArray, shrink: float = 4.0) -> float:
    """Factor on predictive standard deviations that makes 90 % intervals hold 90 %.

    ``z`` (n, 3) are standardised residuals of groups left out whole. With few groups the
    factor is drawn towards 1, as if ``shrink`` perfectly calibrated groups were added.
    """
    if not len(z):
        return 1.0
    ratio = np.quantile(np.abs(z), 0.9) / Z90
    groups = len(np.unique(group))
    return float(np.exp(np.log(ratio) * groups / (groups + shrink)))
