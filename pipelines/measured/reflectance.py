"""Spectra as exported to reflectance factors at 400, 410 ... 700 nm: scale, step, range."""

from __future__ import annotations

import numpy as np

from learn.colour.colorimetry import WAVELENGTHS_NM
from learn.colour.resampling import resample_spectrum
from pipelines.measured.block import Block, listed, refuse, with_others
from pipelines.tables.spectra import (
    DARK_AT_LEAST,
    DARK_CONTRAST,
    FLUORESCENT_AT_MOST,
    FRACTION_AT_MOST,
    PERCENT_AT_LEAST,
    is_fraction,
)

STEPS_NM = (5, 10, 20)

_PERCENT_FROM = 5.0  # whatever is said
_LOWEST = -0.01


def check_wavelengths(nm: list[int], block: Block, names: list[str], file: str) -> list[int]:
    """The order (positions) in which these wavelengths rise; refuses what is no spectrum."""
    steps = np.diff(nm)
    if (steps <= 0).any():
        if not block.free_order:
            at = int(np.flatnonzero(steps <= 0)[0]) + 1
            what = f"wavelengths must rise, but {nm[at]} nm follows {nm[at - 1]} nm"
            refuse(file, what, "export the spectrum in order", column=names[at])
        steps = np.diff(sorted(nm))
    do = "export 400 to 700 nm in steps of 5, 10 or 20 nm"
    if len(nm) < 2:
        refuse(file, f"the spectrum has the single wavelength {nm[0]} nm", do, column=names[0])
    step = int(steps.min())
    if (steps != step).any():
        at = sorted(nm)[int(np.flatnonzero(steps != step)[0])]
        refuse(file, f"the wavelengths have a gap after {at} nm", do)
    if step not in STEPS_NM:
        refuse(file, f"the wavelengths stand {step} nm apart", do)
    return [int(i) for i in np.argsort(nm)]


def scaled(
    spectra: np.ndarray,
    lab_error: np.ndarray | None,
    block: Block,
    hint: str | None,
    file: str,
    said: list[str],
) -> np.ndarray:
    """Spectra (n, m) as fractions, NaN rows where there is none.

    ``lab_error`` (n, 2): dE00 to the file's own Lab if read as a fraction and if as percent,
    NaN where it gives none; it decides, and the size of the numbers where it does not.
    ``hint``: "fraction" or "percent" if the column names claim one.
    """
    full = np.flatnonzero(~np.isnan(spectra).any(axis=1))
    if not full.size:
        return spectra
    highest, lowest = spectra[full].max(), spectra[full].min()
    sides = _sides(spectra[full], hint, None if lab_error is None else lab_error[full])
    known = sides[sides != 0]
    if (known < 0).any() and (known > 0).any():
        # Which of the two the file is in is settled by most readings: name one of the others.
        odd = -1 if (known < 0).sum() <= (known > 0).sum() else 1
        row = int(full[np.flatnonzero(sides == odd)[0]])
        what = (
            f"the spectrum up to {spectra[row].max():g} looks like "
            f"{'fractions' if odd < 0 else 'percent'} and others like "
            f"{'percent' if odd < 0 else 'fractions'}"
        )
        refuse(file, what, "export all readings on one scale", where=block.where[row])
    side = int(known[0]) if known.size else {"fraction": -1, "percent": 1, None: 0}[hint]
    if side == 0:
        what = f"spectra from {lowest:g} to {highest:g} may be fractions or percent"
        if highest <= FRACTION_AT_MOST:
            what = (
                f"spectra from {lowest:g} to {highest:g} alone may be pale colours in fractions or "
                "dark ones in percent"
            )
        refuse(file, what, "export Lab beside the spectra, or a strong colour with them")
    if side > 0:
        said.append(f"Reflectance is in percent (up to {highest:g}): divided by 100.")
        if hint == "fraction":
            said.append("The column names speak of fractions, which the numbers are not.")
        spectra = spectra / 100
    else:
        said.append(f"Reflectance is in fractions ({max(lowest, 0):.3g} to {highest:.3g}).")
        if hint == "percent":
            said.append("The column names speak of percent, which the numbers are not.")
    return _within_limits(spectra, full, block, file, said)


def _sides(spectra: np.ndarray, hint: str | None, lab_error: np.ndarray | None) -> np.ndarray:
    """-1 fraction, 1 percent, 0 not known, for each spectrum (n, m)."""
    highest, lowest = spectra.max(axis=1), spectra.min(axis=1)
    fraction = is_fraction(spectra) & (lowest < PERCENT_AT_LEAST)
    if hint is None:
        even = (lowest >= DARK_AT_LEAST) & (highest <= DARK_CONTRAST * lowest)
        fraction |= (highest <= FRACTION_AT_MOST) & ~even
    sides = np.where(highest >= _PERCENT_FROM, 1, np.where(fraction, -1, 0))
    # The brightest tell of the whole file; beside them a black goes down to its noise at the ends.
    if (sides > 0).any():
        most = np.quantile(spectra, 0.1, axis=1)
        black = (most >= PERCENT_AT_LEAST) & (lowest > -PERCENT_AT_LEAST)
        black &= highest <= np.minimum(FRACTION_AT_MOST, DARK_CONTRAST * most)
        sides = np.where(black, 0, sides)
    if lab_error is not None:
        # A Lab that fits neither is another fault, told where the two are compared.
        told = (lab_error.min(axis=1) < 1.5) & (lab_error.max(axis=1) > 3)
        sides = np.where(told, np.where(lab_error[:, 0] < lab_error[:, 1], -1, 1), sides)
    return sides


def _within_limits(
    spectra: np.ndarray, full: np.ndarray, block: Block, file: str, said: list[str]
) -> np.ndarray:
    given = spectra[full]
    outside = (given < _LOWEST).any(axis=1) | ~is_fraction(given)
    if outside.any():
        row = int(full[np.flatnonzero(outside)[0]])
        low, high = spectra[row].min(), spectra[row].max()
        what = (
            f"a reflectance factor of {low if low < _LOWEST else high:g} is outside {_LOWEST:g} to "
        )
        what += f"{FRACTION_AT_MOST:g} ({FLUORESCENT_AT_MOST:g} where other bands are dark)"
        what = with_others(what, int(outside.sum()))
        refuse(file, what, "measure again or take the reading out", where=block.where[row])
    dead = ~(given > 0).any(axis=1)
    if dead.any():
        row = int(full[np.flatnonzero(dead)[0]])
        what = with_others("the spectrum is 0 throughout", int(dead.sum()))
        refuse(file, what, "measure again or take the reading out", where=block.where[row])
    if (given < 0).any():
        said.append(f"Reflectances a little below 0 (down to {given.min():.2g}) set to 0.")
    return np.maximum(spectra, 0.0)


def to_10_nm(nm: np.ndarray, spectra: np.ndarray, file: str, said: list[str]) -> np.ndarray:
    """Spectra (n, m) at even steps (m,) to (n, 31) at 400 ... 700 nm, and how in ``said``."""
    first, last, step = int(nm[0]), int(nm[-1]), int(nm[1] - nm[0])
    try:
        resampled = resample_spectrum(nm, spectra)
    except ValueError:
        what = f"the spectra cover {first} to {last} nm only"
        refuse(file, what, "400 to 700 nm are needed (420 to 680 nm at least)")
    ends = [f"{nm[0]} nm" for _ in range(first > 400)] + [f"{nm[-1]} nm" for _ in range(last < 700)]
    if ends:
        whole = f"The spectra cover {first} to {last} nm: filled up with the value at"
        said.append(f"{whole} {listed(ends)}.")
    if not np.isin(np.clip(WAVELENGTHS_NM, first, last), nm).all():
        said.append(f"{step} nm steps: interpolated to 10 nm (Sprague).")
    elif step != 10:
        said.append(f"{step} nm steps: the values at 400, 410 ... 700 nm are taken.")
    return resampled
