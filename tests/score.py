"""How good predictions are on prints that were not learnt from."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.normal import Z90, sd_of

Array = NDArray[np.floating]


class Score(NamedTuple):
    """Error and honesty on n held-out prints."""

    n: int
    median_dE00: float
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
        float(inside.mean()),
        float(sd.mean()),
    )
