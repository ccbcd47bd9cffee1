"""Colours of a table held against each other: Lab and spectrum of a row, an ink's other rows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00, lab_from_reflectance, viewing
from learn.shop import ShopSettings
from pipelines.tables.schema import SHOP_TABLES
from pipelines.tables.spectra import (
    DARK_AT_LEAST,
    DARK_CONTRAST,
    FRACTION_AT_MOST,
    MOST_LIGHT,
    SPECTRUM,
    brightness_needed,
    wavelength_nm,
)
from pipelines.workspace.problems import Kind, Problem

AGREE_DE00 = 0.5  # above: Lab and spectrum do not tell of the same light
_LAB = ["L", "a", "b"]
_PALE_CHROMA = 100.0  # below, every colour is one that a surface can have, but for the darkest
# How much lighter than an ink's other colours (in L) looks wrong, and how near a hundredth of it
# must then come to them.
_FAR, _NEAR = 40.0, 15.0
_LIGHT = 60.0  # L of what a dark ink is seen to be dark over


def faults(
    cells: dict[str, pd.DataFrame],
    frames: dict[str, pd.DataFrame],
    settings: ShopSettings,
    coming: tuple[str, ...],
) -> dict[str, list[Problem]]:
    """What contradicts itself, or its ink's other colours, in the tables that are ``coming`` in.

    ``cells``: the text of all tables, ``frames``: the same typed.
    """
    found: dict[str, list[Problem]] = {}
    for name in coming:
        if name in frames and SHOP_TABLES[name].colour:
            file = SHOP_TABLES[name].file
            found[name] = contradictions(frames[name], cells[name], file, settings)
    if "substrates" not in frames:
        return found
    for name, rows in dark_in_percent(frames).items():
        for row, ink, usual in rows if name in coming else ():
            what = f"the spectrum reads as pale, and {ink} is dark elsewhere (L about {usual:.0f})"
            do = "divide the row by 100 if it is in percent: a reflectance factor lies in 0 to 1"
            column = next(c for c in cells[name].columns if wavelength_nm(c))
            found[name].append(Problem(SHOP_TABLES[name].file, row, column, what, do, Kind.UNIT))
    return found


def contradictions(
    frame: pd.DataFrame, cells: pd.DataFrame, file: str, settings: ShopSettings
) -> list[Problem]:
    """Rows of a typed table whose Lab is not that of their spectrum, or of no surface.

    ``cells``: the text it was typed from, whose digits tell how exact the two are.
    """
    lab, spectra = frame[_LAB].to_numpy(float), frame[SPECTRUM].to_numpy(float)
    with_lab = np.isfinite(lab).all(axis=1)
    both = np.flatnonzero(with_lab & np.isfinite(spectra).all(axis=1))
    vivid = np.flatnonzero(with_lab & (np.hypot(lab[:, 1], lab[:, 2]) > _PALE_CHROMA))
    if not both.size and not vivid.size:
        return []
    view = viewing(settings.illuminant, settings.observer)  # slow where nothing has used it
    problems = []
    for at in vivid[brightness_needed(lab[vivid], view) > MOST_LIGHT]:
        L, a, b = lab[at]
        what = f"no surface has the colour {L:g}, {a:g}, {b:g}"
        row = int(frame.index[at])
        do = "check the measurement, and whether L, a and b stand under their names"
        problems.append(Problem(file, row, "L", what, do, Kind.OUT_OF_RANGE))
    if not both.size:
        return problems
    given, seen = lab[both], lab_from_reflectance(spectra[both], view)
    bands = [name for name in SPECTRUM if name in cells]
    half = _last_digit(cells, bands, both) / 2
    limit = AGREE_DE00 + _last_digit(cells, _LAB, both)[:, 0]
    for third in np.array_split(np.eye(len(SPECTRUM)), 3):
        rounded = lab_from_reflectance(spectra[both] + half * third.sum(axis=0), view)
        limit = limit + delta_e00(seen, rounded)
    error, exchanged = delta_e00(seen, given), delta_e00(seen, given[:, [0, 2, 1]])
    for i in np.flatnonzero(error > limit):
        what = (
            f"Lab and spectrum are {error[i]:.1f} dE00 apart under "
            f"{settings.illuminant}/{settings.observer}"
        )
        do = "give both of the same reading and that light, or one of them alone"
        if exchanged[i] <= limit[i]:
            do = "a and b are exchanged: put them right"
        problems.append(Problem(file, int(frame.index[both[i]]), "L", what, do, Kind.CONTRADICTION))
    return problems


def _last_digit(cells: pd.DataFrame, names: list[str], rows: np.ndarray) -> np.ndarray:
    """What one more in the last digit of a row's longest number is (n, 1)."""
    text = cells[names].iloc[rows].apply(lambda c: c.str.strip())
    behind = text.apply(lambda c: c.str.extract(r"[.,]([0-9]+)", expand=False).str.len())
    return 10.0 ** -behind.astype(float).max(axis=1).fillna(0).to_numpy()[:, None]


def dark_in_percent(frames: dict[str, pd.DataFrame]) -> dict[str, list[tuple[int, str, float]]]:
    """Spectra that are an ink's own dark colour in percent, and read as fractions are pale.

    ``frames``: typed drawdowns and prints, and substrates, by name. Returns by table the row, the
    ink, and the L of its other rows. A dark print in percent lies within 0 to 1 all over, so that
    nothing but other measurements tells: of the ink alone, over something light, or over the same.
    """
    beneath = frames["substrates"].drop_duplicates("substrate_id").set_index("substrate_id")
    light = _lightness(_seen(beneath))
    light = pd.Series(np.where(np.isfinite(light), light, beneath["L"]), beneath.index)
    parts = []
    for name in ("drawdowns", "prints"):
        frame = frames.get(name, pd.DataFrame())
        for column in {"mix", "mixed_with"} & set(frame):  # a tint is not the ink's own colour
            frame = frame[frame[column].isna()]
        if frame.empty:
            continue
        spectra, seen = frame[SPECTRUM].to_numpy(float), _seen(frame)
        lowest, highest = spectra.min(axis=1), spectra.max(axis=1)
        even = (lowest >= DARK_AT_LEAST) & (highest <= DARK_CONTRAST * lowest)
        L = np.where(np.isfinite(seen), _lightness(seen), frame["L"].to_numpy(float))
        base = frame.get("underbase_ink_id", pd.Series(None, index=frame.index, dtype=object))
        alone = np.isinf(frame["film_um"]) if "film_um" in frame else np.zeros(len(frame), bool)
        rows = pd.DataFrame({"table": name, "row": frame.index, "L": L})
        rows["ink"], rows["over"] = frame["ink_id"].to_numpy(), frame["substrate_id"].to_numpy()
        rows["base"] = base.fillna("").to_numpy()
        rows["hundredth"] = np.where(
            even & (highest <= FRACTION_AT_MOST), _lightness(seen / 100), np.nan
        )
        rows["plain"] = alone | (frame["substrate_id"].map(light).to_numpy(float) > _LIGHT)
        parts.append(rows.dropna(subset=["L"]))
    found: dict[str, list[tuple[int, str, float]]] = {"drawdowns": [], "prints": []}
    every = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({"hundredth": []})
    for one in every[every["hundredth"].notna()].itertuples():
        same = (every["over"] == one.over) & (every["base"] == one.base)
        telling = (every["ink"] == one.ink) & (same | every["plain"])
        usual = every.loc[telling, "L"].drop(one.Index).median()
        if one.L - usual > _FAR and abs(one.hundredth - usual) < _NEAR:
            found[str(one.table)].append((int(one.row), str(one.ink), float(usual)))
    return found


def _seen(frame: pd.DataFrame) -> np.ndarray:
    """Mean reflectance where the eye sees most (n,)."""
    bright = [f"r{nm}" for nm in range(500, 621, 10)]
    return frame[bright].to_numpy(float).mean(axis=1)


def _lightness(reflectance: np.ndarray) -> np.ndarray:
    """L* of a grey (CIE 1976, above its straight part; the rest is darker than this needs)."""
    return 116 * np.cbrt(np.maximum(reflectance, 0.0)) - 16
