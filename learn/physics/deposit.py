"""Ink film a screen lays down: mesh geometry, theoretical ink volume, strokes and flashes."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

# Fabric thickness by thread diameter. A plain weave crosses two threads and calendering
# flattens them; mesh makers' published rows have 1.475, 1.50, 1.556 and 1.575.
FABRIC_PER_THREAD = 1.53

# Counts and threads one plant standardised on (ronanoshea.co.uk, mesh-count geometry), for a
# mesh known by its count alone. Thread is smoothed as a power of count: 10 % off among these
# but for one thin thread, 20 % at worst among six published others; 55 um at 39 per cm, the
# thinnest met, is taken for 57 % thicker than it is.
_PAIRED_COUNT_PER_CM = (10, 24, 34, 49, 62, 90, 120)
_PAIRED_THREAD_UM = (260, 140, 100, 55, 64, 48, 34)


def usual_thread_um(threads_per_cm: ArrayLike) -> np.ndarray:
    """Thread diameter in um that usually goes with a count: a guess for want of a sheet."""
    power, factor = np.polyfit(np.log(_PAIRED_COUNT_PER_CM), np.log(_PAIRED_THREAD_UM), 1)
    return np.exp(factor) * np.asarray(threads_per_cm, float) ** power


# What stays of an ink after cure, percent by volume, where nobody says: of the others of its type,
# or so much. Common practice, no source: plastisol and silicone stay nearly whole.
USUAL_SOLIDS_PCT = {"water_based": 40.0, "discharge": 35.0}
WHOLE_PCT = 100.0


def complete_inks(inks: pd.DataFrame) -> pd.DataFrame:
    """Ink table with every empty ``solids_vol_pct`` filled: by the middle one of its ``ink_type``
    in this table, else by what is usual of the type."""
    told = inks["solids_vol_pct"].astype(float)
    alike = told.groupby(inks["ink_type"]).transform("median")
    usual = inks["ink_type"].map(USUAL_SOLIDS_PCT).astype(float).fillna(WHOLE_PCT)
    return inks.assign(solids_vol_pct=told.fillna(alike).fillna(usual))


def complete_meshes(meshes: pd.DataFrame) -> pd.DataFrame:
    """Mesh table with every empty geometry cell filled; the maker's own figures stay.

    With pitch 10000 / n for n threads per cm, thread d and opening w, all in um (published
    mesh geometry, nt-jp.com screen specification; spoerl.de theoretical ink volume):
    w = pitch - d, open area = (w / pitch)^2, ink volume = open area x fabric thickness, which
    in um is the same number as in cm3/m2. Thickness is `FABRIC_PER_THREAD` x d, and a thread
    that cannot be derived is `usual_thread_um`.

    Raises ValueError naming the meshes that have no count, or a thread as thick as the pitch.
    """
    mesh = meshes.copy()
    for column in _GEOMETRY:
        mesh[column] = pd.to_numeric(mesh[column]) if column in mesh else np.nan
    n, d, w = mesh["threads_per_cm"], mesh["thread_um"], mesh["opening_um"]
    open_area = mesh["open_area_pct"] / 100

    n = n.fillna(10_000 / (w + d))
    _refuse(mesh, ~(n > 0), "threads_per_cm is missing or not above 0: give the mesh's count")
    pitch = 10_000 / n
    d = d.fillna(pitch - w.fillna(pitch * np.sqrt(open_area))).fillna(
        pd.Series(usual_thread_um(n), index=n.index)
    )
    _refuse(
        mesh,
        ~((d > 0) & (d < pitch)),
        "thread_um leaves no opening at this count: threads_per_cm must be per cm, not per inch, "
        "and thread_um below 10000 / threads_per_cm",
    )
    w = w.fillna(pitch - d)
    open_area = open_area.fillna((w / pitch) ** 2)
    mesh["threads_per_cm"], mesh["thread_um"], mesh["opening_um"] = n, d, w
    mesh["open_area_pct"] = 100 * open_area
    mesh["fabric_um"] = mesh["fabric_um"].fillna(FABRIC_PER_THREAD * d)
    mesh["theoretical_ink_cm3_m2"] = mesh["theoretical_ink_cm3_m2"].fillna(
        open_area * mesh["fabric_um"]
    )
    return mesh


_GEOMETRY = (
    "threads_per_cm",
    "thread_um",
    "opening_um",
    "open_area_pct",
    "fabric_um",
    "theoretical_ink_cm3_m2",
)


def _refuse(mesh: pd.DataFrame, wrong: pd.Series, what: str) -> None:
    if wrong.any():
        ids = mesh.loc[wrong, "mesh_id"] if "mesh_id" in mesh else mesh.index[wrong]
        raise ValueError(f"mesh {', '.join(map(str, ids))}: {what}")


def stroke_gain(
    strokes: ArrayLike, flashes: ArrayLike, *, wet_gain: ArrayLike, flash_gain: ArrayLike
) -> np.ndarray:
    """Film after all strokes as a multiple of the film after the first.

    A further stroke adds ``wet_gain`` of a first one on wet ink, ``flash_gain`` on flashed
    ink; ``flashes`` lie between strokes, so at most strokes - 1. Two numbers of the shop's
    own, to be fitted; common practice, no source: wet-on-wet adds little, print-flash-print
    nearly doubles.
    """
    strokes, flashes = np.asarray(strokes, float), np.asarray(flashes, float)
    wet, flash = np.asarray(wet_gain, float), np.asarray(flash_gain, float)
    return 1 + flash * flashes + wet * (strokes - 1 - flashes)
