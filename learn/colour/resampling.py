"""Spectra at other wavelengths than 400, 410 ... 700 nm, carried there.

Between evenly spaced values run the fifth-order polynomials of Sprague (1880), which CIE 167:2005,
Recommended practice for tabulating spectral data for use in colour computations, names for them;
coefficients after Westland, Ripamonti & Cheung 2012, Computational Colour Science Using MATLAB,
2nd ed., section 4.4 (from memory; tests hold them against the colour-science library).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from learn.colour.colorimetry import WAVELENGTHS_NM

# Two values beyond an end from the six nearest to it, the outer one first.
_BEYOND = (
    np.array([[884, -1960, 3033, -2648, 1080, -180], [508, -540, 488, -367, 144, -24]]) / 209.0
)
# Coefficients of 1, x ... x^5 from the values at -2, -1, 0, 1, 2, 3 steps; x runs from 0 to 1.
_POLYNOMIAL = (
    np.array(
        [
            [0, 0, 24, 0, 0, 0],
            [2, -16, 0, 16, -2, 0],
            [-1, 16, -30, 16, -1, 0],
            [-9, 39, -70, 66, -33, 7],
            [13, -64, 126, -124, 61, -12],
            [-5, 25, -50, 50, -25, 5],
        ]
    )
    / 24.0
)


def sprague(n: int, at: ArrayLike) -> np.ndarray:
    """Matrix (n, m): n values one step apart times it are the values at ``at`` (m,), in steps.

    Raises ValueError for fewer than six values.
    """
    if n < 6:
        raise ValueError(f"{n} values are too few to interpolate: at least 6 are needed")
    whole = np.eye(n)
    padded = np.vstack([_BEYOND @ whole[:6], whole, (_BEYOND @ whole[:-7:-1])[::-1]])
    at = np.asarray(at, float)
    left = np.clip(np.floor(at).astype(int), 0, n - 2)
    powers = (at - left)[:, None] ** np.arange(6)
    nearest = padded[left[:, None] + np.arange(6)]  # (m, 6, n)
    return np.einsum("mk,mkn->nm", powers @ _POLYNOMIAL, nearest)


def resample_spectrum(wavelengths_nm: ArrayLike, values: ArrayLike) -> np.ndarray:
    """Spectra (..., n) at `wavelengths_nm` (n,) carried to `WAVELENGTHS_NM` (..., 31).

    Values measured at a wanted wavelength are taken as they are; the others are interpolated, not
    below the darkest value. An end missing by up to 20 nm is filled with the last value, ASTM
    E308's rule for a truncated spectrum. NaN anywhere in a spectrum gives a spectrum of NaN.

    Raises ValueError when wavelengths do not rise, leave a gap over 20 nm, end too early, or
    stand unevenly where values between them are needed.
    """
    nm = np.asarray(wavelengths_nm, float)
    values = np.asarray(values, float)
    if nm.ndim != 1 or values.shape[-1:] != nm.shape or nm.size < 2:
        raise ValueError(
            f"a spectrum needs one value a wavelength: got {nm.size} wavelengths and values of "
            f"shape {values.shape}"
        )
    steps = np.diff(nm)
    if not (steps > 0).all():
        raise ValueError("wavelengths must rise: sort the spectrum's columns by nm")
    if (steps > 20).any():
        raise ValueError("wavelengths may be 20 nm apart at most: measure with a finer step")
    first, last = WAVELENGTHS_NM[[0, -1]]
    if nm[0] > first + 20 or nm[-1] < last - 20:
        raise ValueError(
            f"a spectrum of {nm[0]:g}-{nm[-1]:g} nm is too short: {first + 20:g}-{last - 20:g} nm "
            "must be covered"
        )
    inside = np.clip(WAVELENGTHS_NM, nm[0], nm[-1])
    at = np.searchsorted(nm, inside).clip(max=nm.size - 1)
    if np.array_equal(nm[at], inside):
        resampled = values[..., at]
    elif not np.allclose(steps, steps[0]):
        raise ValueError("wavelengths must stand evenly apart, as every 20 nm")
    else:
        resampled = np.nan_to_num(values) @ sprague(nm.size, (inside - nm[0]) / steps[0])
        resampled = np.maximum(resampled, values.min(axis=-1, keepdims=True))
    return np.where(np.isnan(values).any(axis=-1, keepdims=True), np.nan, resampled)
