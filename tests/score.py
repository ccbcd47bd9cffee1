"""How good predictions are on prints that were not learnt from, and what to beat."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.normal import Z90, sd_of

Array = NDArray[np.float64]


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
    sd = sd_of(covariance)
    dE = delta_e00(mean, measured if truth is None else truth)
    inside = np.abs(measured - mean) <= Z90 * sd
    return Score(
        len(dE),
        float(np.median(dE)),
        float(np.quantile(dE, 0.9)),
        float(inside.mean()),
        float(sd.mean()),
    )


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
