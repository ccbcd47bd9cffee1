"""Spectra as instruments give them, to the 31 values from 400 to 700 nm of a shop's frames."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from learn.colour.resampling import resample_spectrum

WAVELENGTHS_NM = np.arange(400, 701, 10)
SPECTRUM = [f"r{nm}" for nm in WAVELENGTHS_NM]


def wavelength_nm(column: str) -> int | None:
    """Wavelength of a spectrum column (``r550`` -> 550), None for any other column."""
    found = re.fullmatch(r"r([3-7][0-9]{2})", column)
    return int(found[1]) if found else None


def wavelengths_in(columns: Iterable[str]) -> list[int]:
    """The wavelengths (nm) of the spectrum columns among ``columns``, ascending."""
    return sorted(nm for name in columns if (nm := wavelength_nm(name)) is not None)


def gap_in(wavelengths_nm: list[int]) -> str | None:
    """What keeps these wavelengths from being a spectrum of 400 to 700 nm; None if nothing.

    Even steps of 5, 10 or 20 nm are accepted, from 400 nm or below to 700 nm or above.
    """
    if len(wavelengths_nm) < 2:
        return "the spectrum has a single column"
    step = int(np.diff(wavelengths_nm).min())
    if step not in (5, 10, 20):
        return f"the spectrum columns stand {step} nm apart"
    first, last = wavelengths_nm[0], wavelengths_nm[-1]
    missing = sorted(set(range(first, last + 1, step)) - set(wavelengths_nm))
    if missing:
        return f"the spectrum columns have a gap at {missing[0]} nm"
    if first > 400 or last < 700:
        return f"the spectrum covers {first} to {last} nm only"
    return None


def resample(wavelengths_nm: list[int], reflectance: np.ndarray) -> np.ndarray:
    """Reflectance (n, m) at evenly spaced wavelengths (m,) -> (n, 31) at 400, 410 ... 700 nm.

    As `learn.colour.resampling.resample_spectrum`, but wavelengths not needed may have holes.
    """
    given = np.asarray(wavelengths_nm)
    wanted = np.isin(given, WAVELENGTHS_NM)
    if wanted.sum() == len(WAVELENGTHS_NM):
        given, reflectance = given[wanted], reflectance[:, wanted]
    return resample_spectrum(given, reflectance)
