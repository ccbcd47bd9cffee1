"""Spectra to L*a*b*: ASTM E308 weights at 10 nm, 400-700 nm, D50, 2 degree observer."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

WAVELENGTHS_NM = np.arange(400.0, 701.0, 10.0)
SPECTRUM = [f"r{nm:.0f}" for nm in WAVELENGTHS_NM]
LAB = ["L", "a", "b"]


@cache
def _weights() -> NDArray[np.float64]:
    """Weights (31, 3); the parts of the table beyond 400-700 nm are folded into its ends."""
    import colour
    from colour.colorimetry import tristimulus_weighting_factors_ASTME2022

    shape = colour.SpectralShape(360, 780, 10)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy()
    observer.align(colour.SpectralShape(360, 780, 1))
    light = colour.SDS_ILLUMINANTS["D50"].copy().align(observer.shape)
    table = tristimulus_weighting_factors_ASTME2022(observer, light, shape)
    folded = table[4:35].copy()
    folded[0] += table[:4].sum(axis=0)
    folded[-1] += table[35:].sum(axis=0)
    return folded


def lab_of(reflectance: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1976 L*a*b* (..., 3) of reflectance factors (..., 31)."""
    weights = _weights()
    ratio = np.maximum(reflectance @ weights / weights.sum(axis=0), 0.0)
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.stack(
        [
            116 * f[..., 1] - 16,
            500 * (f[..., 0] - f[..., 1]),
            200 * (f[..., 1] - f[..., 2]),
        ],
        axis=-1,
    )


def measured_lab(table: pd.DataFrame) -> NDArray[np.float64]:
    """Lab (m, 3) of rows that carry either a spectrum or Lab."""
    lab = table.reindex(columns=LAB).to_numpy(float)
    spectra = table.reindex(columns=SPECTRUM).to_numpy(float)
    return np.where(np.isnan(spectra[:, :1]), lab, lab_of(spectra))
