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
# Two measurements tell of an ink so printed; a and b nearer than this are the same either way; and
# a colour this far from what is told is exchanged if it is three times nearer the other way.
_TELL, _SAME_EITHER_WAY, _WRONG_DE00 = 2, 8.0, 15.0
_LIGHT = 60.0  # L of what a dark ink is seen to be dark over


def faults(
    cells: dict[str, pd.DataFrame],
    frames: dict[str, pd.DataFrame],
    settings: ShopSettings,
    coming: tuple[str, ...],
    before: pd.DataFrame | None = None,
) -> dict[str, list[Problem]]:
    """What contradicts itself, or its ink's other colours, in the tables that are ``coming`` in.

    ``cells``: the text of all tables, ``frames``: the same typed; ``before``: typed prints of the
    shop, beside those of the tables.
    """
    found: dict[str, list[Problem]] = {}
    for name in coming:
        if name in frames and SHOP_TABLES[name].colour:
            file = SHOP_TABLES[name].file
            light = settings.illuminant, settings.observer
            found[name] = contradictions(frames[name], cells[name], file, *light)
    if "substrates" not in frames or not coming:
        return found
    for name, turned in exchanged(frames, before, coming, settings).items():
        told = {problem.row for problem in found[name]}
        for row, ink in turned:
            what = f"a and b look exchanged, by what is known of {ink} and the rows beside it"
            if row not in told:
                do = "put a and b under their names"
                file = SHOP_TABLES[name].file
                found[name].append(Problem(file, row, "a", what, do, Kind.CONTRADICTION))
    for name, rows in dark_in_percent(measurements(frames, before)).items():
        for row, ink, usual in rows if name in coming else ():
            what = f"the spectrum reads as pale, and {ink} is dark elsewhere (L about {usual:.0f})"
            do = "divide the row by 100 if it is in percent: a reflectance factor lies in 0 to 1"
            column = next(c for c in cells[name].columns if wavelength_nm(c))
            found[name].append(Problem(SHOP_TABLES[name].file, row, column, what, do, Kind.UNIT))
    return found


def contradictions(
    frame: pd.DataFrame, cells: pd.DataFrame, file: str, illuminant: str, observer: str
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
    view = viewing(illuminant, observer)  # slow where nothing has used it
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
        what = f"Lab and spectrum are {error[i]:.1f} dE00 apart under {illuminant}/{observer}"
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


def measurements(
    frames: dict[str, pd.DataFrame], before: pd.DataFrame | None = None
) -> pd.DataFrame:
    """What is known of every ink: a row a measured drawdown or print.

    ``frames``: typed substrates, drawdowns and prints, by name; ``before``: typed prints of the
    shop that stand in none of them. ``L`` is near that of the eye; ``hundredth``: what it would be
    of a hundredth, where a dark colour in percent would look so; ``plain``: of the ink alone, or
    over something light; ``over`` and ``base``: what it was printed on.
    """
    beneath = frames["substrates"].drop_duplicates("substrate_id").set_index("substrate_id")
    light = _lightness(_seen(beneath))
    light = pd.Series(np.where(np.isfinite(light), light, beneath["L"]), beneath.index)
    parts = []
    for name, frame in _of_inks(frames, before).items():
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
    columns = ["table", "row", "L", "ink", "over", "base", "hundredth", "plain"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _of_inks(
    frames: dict[str, pd.DataFrame], before: pd.DataFrame | None
) -> dict[str, pd.DataFrame]:
    """Typed drawdowns and prints of inks as they are, those of ``before`` under that name."""
    found = {}
    for name in ("drawdowns", "prints", "before"):
        frame = before if name == "before" else frames.get(name)
        if frame is None:
            continue
        for column in {"mix", "mixed_with"} & set(frame):  # a tint is not the ink's own colour
            frame = frame[frame[column].isna()]
        if len(frame):
            found[name] = frame
    return found


def usual_lightness(every: pd.DataFrame, ink: str, over: str, base: str) -> float:
    """The middle L of an ink's measurements that tell of it so printed; NaN where none do."""
    same = (every["over"] == over) & (every["base"] == base)
    telling = (every["ink"] == ink) & (same | every["plain"])
    return float(every.loc[telling, "L"].median())


def dark_in_percent(every: pd.DataFrame) -> dict[str, list[tuple[int, str, float]]]:
    """Spectra that are an ink's own dark colour in percent, and read as fractions are pale.

    ``every``: all `measurements`. Returns by table the row, the ink, and the L of its other rows. A
    dark print in percent lies within 0 to 1 all over, so that nothing but other measurements tells.
    """
    found: dict[str, list[tuple[int, str, float]]] = {}
    for one in every[every["hundredth"].notna()].itertuples():
        rest = every.drop(one.Index)
        usual = usual_lightness(rest, str(one.ink), str(one.over), str(one.base))
        if one.L - usual > _FAR and abs(one.hundredth - usual) < _NEAR:
            row = int(one.row), str(one.ink), usual
            found.setdefault(str(one.table), []).append(row)
    return found


def exchanged(
    frames: dict[str, pd.DataFrame],
    before: pd.DataFrame | None,
    coming: tuple[str, ...],
    settings: ShopSettings,
) -> dict[str, list[tuple[int, str]]]:
    """Rows with Lab alone whose a and b are exchanged, by all that is known of their inks.

    Returns by table the row and the ink. What tells is a spectrum, which nobody exchanges, or
    was there before. Where most that can be told are exchanged, so are those that cannot.
    """
    parts = []
    for name, frame in _of_inks(frames, before).items():
        base = frame.get("underbase_ink_id", pd.Series(None, index=frame.index, dtype=object))
        rows = pd.DataFrame({"table": name, "row": frame.index, "at": np.arange(len(frame))})
        on = [frame["ink_id"], frame["substrate_id"], base]
        rows["so"] = list(zip(*(one.fillna("") for one in on), strict=True))
        rows["bare"] = frame[SPECTRUM].isna().any(axis=1).to_numpy()
        rows[_LAB] = frame[_LAB].to_numpy(float)
        parts.append(rows)
    if not parts:
        return {}
    every = pd.concat(parts, ignore_index=True)
    turned = (every["a"] - every["b"]).abs() > _SAME_EITHER_WAY
    asked = every["bare"] & every["table"].isin(coming) & turned
    tells = (~every["bare"] | ~every["table"].isin(coming)) & every["so"].isin(every["so"][asked])
    if not asked.any() or not tells.any():
        return {}
    view = viewing(settings.illuminant, settings.observer)  # slow where nothing has used it
    for name, own in every[tells & ~every["bare"]].groupby("table"):
        spectra = _of_inks(frames, before)[str(name)][SPECTRUM].to_numpy(float)[own["at"]]
        every.loc[own.index, _LAB] = lab_from_reflectance(spectra, view)
    known = every[tells].groupby("so")[_LAB]
    usual = known.median()[known.size() >= _TELL].reindex(every["so"][asked]).to_numpy()
    lab = every.loc[asked, _LAB].to_numpy()
    off, other = delta_e00(lab, usual), delta_e00(lab[:, [0, 2, 1]], usual)
    wrong = pd.Series((off > _WRONG_DE00) & (other < off / 3), every.index[asked])
    told = pd.Series(np.isfinite(off), every.index[asked])
    found = {}
    for name in coming:
        own = asked & (every["table"] == name)
        hit, n = wrong[own[asked].to_numpy()], int(told[own[asked].to_numpy()].sum())
        if not hit.any():
            continue
        most = hit.sum() > max(n / 2, 1)
        beside = every["bare"] & (every["table"] == name) & (every["a"] != every["b"])
        beside[told.index[told & ~wrong]] = False
        rows = every[beside] if most else every.loc[hit.index[hit]]
        found[name] = [(int(row), so[0]) for row, so in zip(rows["row"], rows["so"], strict=True)]
    return found


def _seen(frame: pd.DataFrame) -> np.ndarray:
    """Mean reflectance where the eye sees most (n,)."""
    bright = [f"r{nm}" for nm in range(500, 621, 10)]
    return frame[bright].to_numpy(float).mean(axis=1)


def _lightness(reflectance: np.ndarray) -> np.ndarray:
    """L* of a grey (CIE 1976, above its straight part; the rest is darker than this needs)."""
    return 116 * np.cbrt(np.maximum(reflectance, 0.0)) - 16
