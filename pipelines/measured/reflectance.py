"""Spectra as exported to reflectance factors at 400, 410 ... 700 nm: scale, step, range."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn

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
_TELLING_L = 25.0  # so much nearer in L to what is expected, a reading tells its scale
# What glows sends back the light of shorter waves at longer ones, and little of it at these (common
# practice, no source).
_NONE_GLOWS = WAVELENGTHS_NM < 490
_SIDES = {"fraction": -1, "percent": 1, None: 0}


def check_wavelengths(nm: list[int], block: Block, names: list[str], file: str) -> list[int]:
    """The order (positions) in which these wavelengths rise; refuses what is no spectrum."""
    steps = np.diff(nm)
    if (steps <= 0).any():
        if not block.free_order:
            at = int(np.flatnonzero(steps <= 0)[0]) + 1
            what = f"wavelengths must rise, but {nm[at]} nm follows {nm[at - 1]} nm"
            refuse(file, what, "export the spectrum in order", column=names[at])
        steps = np.diff(sorted(nm))
    do = "export 400 to 700 nm in steps of 1, 2, 5, 10 or 20 nm"
    if len(nm) < 2:
        refuse(file, f"the spectrum has the single wavelength {nm[0]} nm", do, column=names[0])
    step = int(steps.min())
    if (steps != step).any():
        at = sorted(nm)[int(np.flatnonzero(steps != step)[0])]
        refuse(file, f"the wavelengths have a gap after {at} nm", do)
    if step not in (1, 2, *STEPS_NM):
        refuse(file, f"the wavelengths stand {step} nm apart", do)
    return [int(i) for i in np.argsort(nm)]


@dataclass(frozen=True)
class Trial:
    """The spectra of one table as they stand, and what may tell their scale.

    ``spectra`` (n, 31), NaN rows where there is none; ``lab_error`` (n, 2): dE00 to the file's own
    Lab if read as a fraction and if as percent, NaN where it gives none; ``L_error`` (n, 2): how
    far L then is from what the shop expects of the sample, NaN where it expects nothing; ``hint``:
    "fraction" or "percent" if the column names or the format claim one.
    """

    spectra: np.ndarray
    lab_error: np.ndarray
    L_error: np.ndarray
    hint: str | None


def sides(trials: list[Trial]) -> list[np.ndarray]:
    """-1 fraction, 1 percent, 0 not known, for each spectrum of all tables of a file.

    Lab beside it decides, then the size of the numbers, then what the shop expects.
    """
    spectra = np.vstack([trial.spectra for trial in trials])
    hinted = np.repeat([t.hint is not None for t in trials], [len(t.spectra) for t in trials])
    full = np.flatnonzero(~np.isnan(spectra).any(axis=1))
    found = np.zeros(len(spectra), int)
    if full.size:
        by_size = _by_size(spectra[full], hinted[full])
        L_error = np.vstack([trial.L_error for trial in trials])[full]
        lab_error = np.vstack([trial.lab_error for trial in trials])[full]
        # Read as the other, a dark colour is a pale one, or a pale one a dark one.
        expected = np.abs(L_error[:, 0] - L_error[:, 1]) > _TELLING_L
        expected &= (by_size == 0) | (hinted[full] & (by_size <= 0))
        by_size = np.where(expected, _nearer(L_error), by_size)
        # A Lab that fits neither is another fault, told where the two are compared.
        told = (lab_error.min(axis=1) < 1.5) & (lab_error.max(axis=1) > 3)
        found[full] = np.where(told, _nearer(lab_error), by_size)
    return np.split(found, np.cumsum([len(t.spectra) for t in trials])[:-1])


def _nearer(error: np.ndarray) -> np.ndarray:
    return np.where(error[:, 0] < error[:, 1], -1, 1)


def scaled(
    trial: Trial,
    own: np.ndarray,
    of_file: np.ndarray,
    block: Block,
    asked: str | None,
    file: str,
    said: list[str],
) -> np.ndarray:
    """The spectra (n, 31) of a table as fractions, NaN rows where there is none.

    ``own``: what :func:`sides` found of its rows; ``of_file``: of all rows of the file, which
    decide where its own tell nothing; ``asked``: the scale that the user has told.
    """
    spectra, hint = trial.spectra, trial.hint
    full = np.flatnonzero(~np.isnan(spectra).any(axis=1))
    if not full.size:
        return spectra
    highest, lowest = spectra[full].max(), spectra[full].min()
    known = own[own != 0]
    if not known.size or hint is None:
        known = np.concatenate([known, of_file[of_file != 0]])
    if (known < 0).any() and (known > 0).any():
        _refuse_two_scales(spectra, own, known, block, file)
    side = int(known[0]) if known.size else 0
    if asked and side == -_SIDES[asked]:
        what = f"was to be read as {asked}, which spectra up to {highest:g} are not"
        refuse(file, what, "leave --reflectance out, or check the file", where=block.where[full[0]])
    pale = _may_be_dark(spectra[full]).all() and not known.size
    side = side or _SIDES[asked or hint]
    if side == 0:
        what = f"spectra from {lowest:g} to {highest:g} may be fractions or percent"
        if highest <= FRACTION_AT_MOST:
            what = (
                f"spectra from {lowest:g} to {highest:g} alone may be pale colours in fractions or "
                "dark ones in percent"
            )
        do = "export Lab beside the spectra, or a strong colour, or record with --reflectance "
        refuse(file, what, do + "fraction or percent, as they are")
    if side > 0:
        said.append(f"Reflectance is in percent (up to {highest:g}): divided by 100.")
        if hint == "fraction":
            said.append("The column names speak of fractions, which the numbers are not.")
        spectra = spectra / 100
    else:
        said.append(f"Reflectance is in fractions ({max(lowest, 0):.3g} to {highest:.3g}).")
        if hint == "percent":
            said.append("The column names speak of percent, which the numbers are not.")
        if pale and not asked:
            said.append(
                "So the file says; nothing else tells these pale colours from dark ones in "
                "percent, which --reflectance percent would read."
            )
    return _within_limits(spectra, full, block, file, said)


def _refuse_two_scales(
    spectra: np.ndarray, own: np.ndarray, known: np.ndarray, block: Block, file: str
) -> NoReturn:
    """Which of the two the file is in is settled by most readings: name one of the others."""
    odd = -1 if (known < 0).sum() <= (known > 0).sum() else 1
    if not (own == odd).any():  # it is in another table
        odd = -odd
    row = int(np.flatnonzero(own == odd)[0])
    what = (
        f"the spectrum up to {spectra[row].max():g} looks like "
        f"{'fractions' if odd < 0 else 'percent'} and others like "
        f"{'percent' if odd < 0 else 'fractions'}"
    )
    refuse(file, what, "export all readings on one scale", where=block.where[row])


def _may_be_dark(spectra: np.ndarray) -> np.ndarray:
    """Whether what is pale in fractions (n, m) would be a dark colour in percent."""
    highest, lowest = spectra.max(axis=1), spectra.min(axis=1)
    even = (lowest >= DARK_AT_LEAST) & (highest <= DARK_CONTRAST * lowest)
    return even & (highest <= FRACTION_AT_MOST)


def _by_size(spectra: np.ndarray, hinted: np.ndarray) -> np.ndarray:
    """What the numbers alone tell: -1 fraction, 1 percent, 0 nothing, for each (n, m)."""
    highest, lowest = spectra.max(axis=1), spectra.min(axis=1)
    fraction = is_fraction(spectra) & (lowest < PERCENT_AT_LEAST)
    fraction |= ~hinted & (highest <= FRACTION_AT_MOST) & ~_may_be_dark(spectra)
    found = np.where(highest >= _PERCENT_FROM, 1, np.where(fraction, -1, 0))
    # The brightest tell of the whole file; beside them a black goes down to its noise at the ends.
    if (found > 0).any():
        most = np.quantile(spectra, 0.1, axis=1)
        black = (most >= PERCENT_AT_LEAST) & (lowest > -PERCENT_AT_LEAST)
        black &= highest <= np.minimum(FRACTION_AT_MOST, DARK_CONTRAST * most)
        found = np.where(black, 0, found)
    return found


def _within_limits(
    spectra: np.ndarray, full: np.ndarray, block: Block, file: str, said: list[str]
) -> np.ndarray:
    given = spectra[full]
    outside = (given < _LOWEST).any(axis=1) | ~is_fraction(given)
    outside |= (given[:, _NONE_GLOWS] > FRACTION_AT_MOST).any(axis=1)
    if outside.any():
        row = int(full[np.flatnonzero(outside)[0]])
        low, high = spectra[row].min(), spectra[row].max()
        what = (
            f"a reflectance factor of {low if low < _LOWEST else high:g} is outside {_LOWEST:g} to "
        )
        what += (
            f"{FRACTION_AT_MOST:g} ({FLUORESCENT_AT_MOST:g} from 490 nm on where others are dark)"
        )
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
