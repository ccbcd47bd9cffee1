"""Spectra as instruments give them, to the 31 values from 400 to 700 nm of a shop's frames."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from learn.colour.colorimetry import Viewing, xyz_from_lab
from learn.colour.resampling import resample_spectrum

# A brightened cloth sends back up to about 1.1 of the light, a fluorescent ink some more at its own
# wavelengths (common practice, no source): above the first a spectrum must have dark bands too.
FRACTION_AT_MOST, FLUORESCENT_AT_MOST = 1.2, 2.0
# No print is denser than 3 (common practice, no source): in percent none of its bands goes lower.
PERCENT_AT_LEAST = 0.1
# A dark print that in percent looks like a pale one in fractions sends back little but the light of
# its surface: at least 0.3 % of it, and evenly (common practice, no source).
DARK_AT_LEAST, DARK_CONTRAST = 0.3, 2.5
# What of its light a surface may send back at most, fluorescent ones by the width of their bands.
MOST_LIGHT = 1.6

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


def is_fraction(spectra: np.ndarray) -> np.ndarray:
    """Whether spectra (n, m) are of a surface if taken as fractions of 1, fluorescent ones too."""
    highest, lowest = spectra.max(axis=1), spectra.min(axis=1)
    glows = (highest <= FLUORESCENT_AT_MOST) & (lowest < PERCENT_AT_LEAST)
    return (highest <= FRACTION_AT_MOST) | glows


def brightness_needed(lab: np.ndarray, view: Viewing) -> np.ndarray:
    """How bright (n,) a surface must at least be in its brightest bands to have the colours (n, 3).

    No surface that sends back at most a share r of each wavelength lies beyond r times the solid of
    optimal colours (W. Ostwald, E. Schroedinger): for every direction d of XYZ,
    ``d . XYZ <= r * sum(max(0, weights . d))``.
    """
    k = np.arange(800) + 0.5
    polar, turn = np.arccos(1 - 2 * k / 800), np.pi * (1 + 5**0.5) * k  # even over a sphere
    directions = np.stack(
        [np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)]
    )
    reach = np.maximum(view.weights @ directions, 0.0).sum(axis=0)
    xyz = xyz_from_lab(lab, view.white_xyz)
    needed = np.empty(len(xyz))
    for at in range(0, len(xyz), 1000):  # all at once take a quarter of a gigabyte
        along = xyz[at : at + 1000] @ directions / np.maximum(reach, 1e-9)
        needed[at : at + 1000] = np.max(along, axis=1, where=reach > 0.5, initial=0.0)
    return needed


def colour_faults(own: Iterable[str]) -> list[tuple[str | None, str, str]]:
    """What is wrong with the colour columns of a header: (column, what, what to do)."""
    lab = [name for name in ("L", "a", "b") if name in own]
    wavelengths = wavelengths_in(own)
    faults: list[tuple[str | None, str, str]] = []
    if 0 < len(lab) < 3:
        missing = ", ".join(name for name in ("L", "a", "b") if name not in lab)
        what = f"the column is missing beside {' and '.join(lab)}"
        faults.append((missing, what, "add it, or take L, a and b out"))
    if wavelengths and (gap := gap_in(wavelengths)):
        do = "give r400, r410 ... r700 (10 nm steps; 5 or 20 nm and a wider range are read too)"
        faults.append((None, gap, do))
    if not lab and not wavelengths:
        what = "no colour columns"
        faults.append((None, what, "add L, a, b or a spectrum r400, r410 ... r700"))
    return faults
