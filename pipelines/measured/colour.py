"""Lab and spectra of one table: which is given, whether they agree, what is taken."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from learn.colour import colorimetry
from learn.shop import ShopSettings
from pipelines.measured.block import Block, listed, refuse, with_others
from pipelines.measured.columns import Columns
from pipelines.measured.numbers import to_numbers
from pipelines.measured.reflectance import Trial, check_wavelengths, to_10_nm
from pipelines.tables.schema import LAB
from pipelines.tables.spectra import MOST_LIGHT, SPECTRUM, brightness_needed

AGREE_DE00 = 0.5  # above: the file's Lab and its spectra do not tell of the same light
_LIKELY = (("D50", "2"), ("D65", "10"), ("D65", "2"), ("D50", "10"), ("C", "2"), ("A", "10"))
# What the names of columns claim; r400 is ours, and a fraction in all our tables.
_HINTS = ((r"pct|%|percent", "percent"), (r"dec|^r[0-9]", "fraction"))


@dataclass(frozen=True)
class _Lab:
    """Lab (n, 3) as the file gives it, as such or as XYZ; NaN where it gives none.

    ``slack_dE00`` (n,): what rounding to the file's own digits may have changed. Tristimulus
    values with one decimal are coarse for dark colours.
    """

    lab: np.ndarray
    slack_dE00: np.ndarray
    there: np.ndarray
    from_xyz: bool


@dataclass(frozen=True)
class Given:
    """The colours of one table as they stand: Lab, spectra on whatever scale, their light."""

    block: Block
    lab: _Lab
    trial: Trial
    condition: tuple[str, str]


def given_colours(
    block: Block,
    columns: Columns,
    facts: dict[str, str],
    settings: ShopSettings,
    expected_L: np.ndarray,
    file: str,
    said: list[str],
) -> Given:
    """What a table gives. ``expected_L`` (n,): L as the shop expects it, NaN where it does not.

    Raises UserError where it cannot be read, or Lab and XYZ contradict each other.
    """
    bands = [*columns.spectrum.values()]
    numbers = to_numbers(block, [*bands, *columns.lab, *columns.xyz], file, said)
    condition = (
        facts.get("illuminant", settings.illuminant),
        facts.get("observer", settings.observer),
    )
    space = columns.lab or columns.xyz
    lab = _given_lab(block, space, bool(columns.lab), bool(bands), numbers, condition, file)
    nothing = np.full((len(block.where), 2), np.nan)
    trial = Trial(np.full((len(block.where), len(SPECTRUM)), np.nan), nothing, nothing, None)
    if bands:
        trial = _trial(block, columns, numbers, lab.lab, condition, expected_L, file, said)
    if columns.lab and columns.xyz:
        _check_xyz_beside_lab(block, columns, numbers, lab, condition, file)
    return Given(block, lab, trial, condition)


def colours(
    table: Given,
    spectra: np.ndarray,
    facts: dict[str, str],
    settings: ShopSettings,
    file: str,
    said: list[str],
) -> np.ndarray:
    """Lab (n, 3) under the shop's viewing condition; ``spectra`` (n, 31), fractions, NaN where
    there are none.

    Raises UserError where Lab and spectrum contradict each other, or there is neither.
    """
    block, given, condition = table.block, table.lab, table.condition
    shop = settings.illuminant, settings.observer
    has_spectrum = ~np.isnan(spectra).any(axis=1)
    if (bare := ~has_spectrum & ~given.there).any():
        what = with_others("has no colour", int(bare.sum()))
        do = "measure it, or take the row out"
        refuse(file, what, do, where=block.where[int(np.flatnonzero(bare)[0])])
    if not has_spectrum.all():
        _check_lab_only(block, ~has_spectrum, condition, facts, shop, file, said)
    lab = given.lab.copy()
    if has_spectrum.any():
        lab[has_spectrum] = colorimetry.lab_from_reflectance(
            spectra[has_spectrum], colorimetry.viewing(*shop)
        )
        _check_agreement(block, spectra, lab, given, condition, shop, file, said)
    return lab


def _given_lab(
    block: Block,
    space: list[str],
    is_lab: bool,
    with_spectra: bool,
    numbers: dict[str, np.ndarray],
    condition: tuple[str, str],
    file: str,
) -> _Lab:
    """What the three columns of Lab, or of XYZ, give; none if there are none."""
    if not space:
        nothing = np.full((len(block.where), 3), np.nan)
        return _Lab(nothing, nothing[:, 0], np.zeros(len(nothing), bool), False)
    given = np.stack([numbers[name] for name in space], axis=1)
    empty = np.isnan(given)
    if (part := empty.any(axis=1) & ~empty.all(axis=1)).any():
        row = int(np.flatnonzero(part)[0])
        name = space[int(np.flatnonzero(empty[row])[0])]
        what = "is empty beside filled ones"
        refuse(file, what, "fill in all three or none", where=block.where[row], column=name)
    limits = [(c.low or 0.0, c.high or 0.0) for c in LAB] if is_lab else [(0.0, 150.0)] * 3
    if is_lab and with_spectra:
        limits[0] = 0.0, 110.0  # a brightened cloth may send back more light than it gets
    for name, (low, high), values in zip(space, limits, given.T, strict=True):
        if (outside := (values < low) | (values > high)).any():
            row = int(np.flatnonzero(outside)[0])
            what = with_others(
                f"{values[row]:g} is outside {low:g} to {high:g}", int(outside.sum())
            )
            refuse(file, what, "check the measurement", where=block.where[row], column=name)
    _check_scale(given, space, is_lab, file)
    view = _viewing(condition)

    def to_lab(values: np.ndarray) -> np.ndarray:
        if is_lab:
            return values
        return np.full_like(values, np.nan) if view is None else _from_xyz(values, view)

    lab = to_lab(given)
    slack = np.zeros(len(given))
    half_a_digit = 0.5 * 10.0 ** -_decimals(block, space)
    for axis in np.eye(3):
        slack += colorimetry.delta_e00(to_lab(given + half_a_digit[:, None] * axis), lab)
    if view is not None and (none := brightness_needed(lab, view) > MOST_LIGHT).any():
        row = int(np.flatnonzero(none)[0])
        L, a, b = lab[row]
        what = with_others(f"no surface has the colour {L:.1f}, {a:.1f}, {b:.1f}", int(none.sum()))
        refuse(file, what, "check the measurement", where=block.where[row])
    return _Lab(lab, slack, ~empty.any(axis=1), not is_lab)


def _check_scale(given: np.ndarray, space: list[str], is_lab: bool, file: str) -> None:
    """Lab and XYZ of a file that are all tiny are on another scale."""
    top = np.nanmax(given[:, 0] if is_lab else given, initial=0.0)
    if np.isnan(given).all() or top > (1.5 if is_lab else 2.0):
        return
    if is_lab and np.nanmax(given[:, 0]) < 0.2:  # no light at all, which a black trap gives
        return
    what = f"L up to {top:g} is not on the scale where white has L = 100"
    do = "export Lab as instruments show it"
    if not is_lab:
        what = f"XYZ up to {top:g} is not on the scale where white has Y = 100"
        do = "export XYZ in percent, or Lab"
    refuse(file, what, do, column=listed(space))


def _check_xyz_beside_lab(
    block: Block,
    columns: Columns,
    numbers: dict[str, np.ndarray],
    given: _Lab,
    condition: tuple[str, str],
    file: str,
) -> None:
    """Lab is a form of XYZ: side by side they are one colour."""
    xyz = _given_lab(block, columns.xyz, False, False, numbers, condition, file)
    limit = AGREE_DE00 + xyz.slack_dE00 + given.slack_dE00
    error = colorimetry.delta_e00(xyz.lab, given.lab)
    if (apart := given.there & xyz.there & (error > limit)).any():
        row = int(np.flatnonzero(apart)[0])
        what = f"Lab and XYZ are {error[row]:.1f} dE00 apart under {_named(condition)}"
        do = "export the two of one reading and one light, or one of them alone"
        if all((colorimetry.delta_e00(xyz.lab, given.lab[:, [0, 2, 1]]) <= limit)[apart]):
            do = "a and b are exchanged: put them right"
        refuse(file, with_others(what, int(apart.sum())), do, where=block.where[row])


def _from_xyz(xyz: np.ndarray, view: colorimetry.Viewing) -> np.ndarray:
    return colorimetry.lab_from_xyz(xyz, view.white_xyz)


def _decimals(block: Block, names: list[str]) -> np.ndarray:
    """Decimals (n,) to which a reading is written: its longest, as programs drop zeros."""
    text = block.cells[names].apply(lambda c: c.str.strip())
    behind = text.apply(lambda c: c.str.extract(r"[.,]([0-9]+)", expand=False).str.len())
    exponent = text.apply(lambda c: c.str.contains("[eE]", regex=True)).any(axis=1)
    return behind.astype(float).max(axis=1).fillna(0).mask(exponent, 15).to_numpy()


def _trial(
    block: Block,
    columns: Columns,
    numbers: dict[str, np.ndarray],
    given: np.ndarray,
    condition: tuple[str, str],
    expected_L: np.ndarray,
    file: str,
    said: list[str],
) -> Trial:
    """The spectra of a table at 400 ... 700 nm, and what tells their scale."""
    names = [*columns.spectrum.values()]
    nm = [*columns.spectrum]
    order = check_wavelengths(nm, block, names, file)
    values = np.stack([numbers[names[i]] for i in order], axis=1)
    steps = np.array(nm, float)[order]
    empty = np.isnan(values)
    if (holes := empty.any(axis=1) & ~empty.all(axis=1)).any():
        row = int(np.flatnonzero(holes)[0])
        name = names[order[int(np.flatnonzero(empty[row])[0])]]
        what = with_others("the spectrum has a gap", int(holes.sum()))
        do = "measure again or take the reading out"
        refuse(file, what, do, where=block.where[row], column=name)
    if (wild := np.abs(values) > 1000).any():
        row, band = (int(i) for i in np.argwhere(wild)[0])
        what, do = f"a reflectance of {values[row, band]:g} cannot be", "check the measurement"
        refuse(file, what, do, where=block.where[row], column=names[order[band]])
    spectra = to_10_nm(steps, values, file, said)
    lab_error = L_error = np.full((len(spectra), 2), np.nan)
    known = np.isfinite(given).any(), np.isfinite(expected_L).any()
    if any(known) and (view := _viewing(condition)):
        as_read = [colorimetry.lab_from_reflectance(spectra * scale, view) for scale in (1, 0.01)]
        lab_error = np.stack([colorimetry.delta_e00(lab, given) for lab in as_read], axis=1)
        L_error = np.stack([np.abs(lab[:, 0] - expected_L) for lab in as_read], axis=1)
    hint = next((word for text, word in _HINTS if re.search(text, names[0].casefold())), None)
    said_percent = block.scale if block.scale == "percent" else None  # in the cells themselves
    return Trial(spectra, lab_error, L_error, said_percent or hint or block.scale)


def _check_lab_only(
    block: Block,
    rows: np.ndarray,
    condition: tuple[str, str],
    facts: dict[str, str],
    shop: tuple[str, str],
    file: str,
    said: list[str],
) -> None:
    """Lab without a spectrum serves only under the shop's own condition."""
    if condition != shop:
        what = f"gives Lab for {_named(condition)} without a spectrum; the shop uses {_named(shop)}"
        do = f"export Lab for {_named(shop)}, or the spectra"
        refuse(file, what, do, where=block.where[int(np.flatnonzero(rows)[0])])
    unsaid = [key for key in ("illuminant", "observer") if key not in facts]
    if unsaid:
        said.append(f"No {listed(unsaid)} declared: Lab taken as {_named(shop)}, the shop's.")


def _check_agreement(
    block: Block,
    spectra: np.ndarray,
    lab: np.ndarray,
    given: _Lab,
    condition: tuple[str, str],
    shop: tuple[str, str],
    file: str,
    said: list[str],
) -> None:
    """Where a reading has both, its Lab must follow from its spectrum as declared."""
    both = np.flatnonzero(given.there & np.isfinite(spectra).all(axis=1))
    if not both.size:
        said.append(f"Lab computed from the spectra for {_named(shop)}.")
        return
    if _viewing(condition) is None:
        said.append(
            f"The file's Lab is for {_named(condition)}, which is not known here: Lab computed "
            f"anew from the spectra for {_named(shop)}."
        )
        return

    def off(one: tuple[str, str]) -> np.ndarray:
        there = colorimetry.lab_from_reflectance(spectra[both], colorimetry.viewing(*one))
        return colorimetry.delta_e00(there, given.lab[both])

    error = off(condition)
    limit = AGREE_DE00 + given.slack_dE00[both]
    if (apart := error > limit).any():
        worst = int((error - limit).argmax())
        what = f"Lab and spectrum are {error[worst]:.1f} dE00 apart under {_named(condition)}"
        do = "export both from the same reading, or the spectra alone"
        others = [one for one in _LIKELY if one != condition and not given.from_xyz]
        if fits := [one for one in others if (off(one) <= limit).all()]:
            do = f"they would agree for {_named(fits[0])}: declare it in the file, or export "
            do += "the spectra alone"
        exchanged = colorimetry.delta_e00(
            colorimetry.lab_from_reflectance(spectra[both], colorimetry.viewing(*condition)),
            given.lab[both][:, [0, 2, 1]],
        )
        if (exchanged <= limit)[apart].all():
            do = "a and b are exchanged: put them right"
        refuse(file, with_others(what, int(apart.sum())), do, where=block.where[both[worst]])
    if condition == shop:
        said.append(
            f"Lab computed from the spectra for {_named(shop)}; the file's own is "
            f"up to {error.max():.2f} dE00 away."
        )
    else:
        apart = colorimetry.delta_e00(lab[both], given.lab[both]).max()
        said.append(
            f"The file's Lab is for {_named(condition)}, up to {apart:.1f} dE00 away: Lab "
            f"computed anew from the spectra for {_named(shop)}."
        )


def _viewing(condition: tuple[str, str]) -> colorimetry.Viewing | None:
    try:
        return colorimetry.viewing(*condition)
    except ValueError:
        return None


def _named(condition: tuple[str, str]) -> str:
    illuminant, observer = condition
    return f"{illuminant}/{observer}" if re.fullmatch(r"2|10", observer) else " / ".join(condition)
