"""The first prints of a shop that has none: each ink on light and dark, with and without a base."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from learn.shop import SETUP_COLUMNS, UNDERBASE

SCREEN = ["ink_id", "mesh_id"]  # what is on a screen: to change either is to change it


def cheapest_start(
    inks: list[str],
    garments: list[str],
    mesh: str,
    bases: Mapping[str, tuple[str, str]],
) -> pd.DataFrame:
    """Every ink on every garment, bare and over its base, one stroke each: set-ups (n rows).

    ``bases``: ink -> ink and mesh of its underbase, where it has one. Light and dark part what
    shows through a film from what it scatters; bare and based part the cloth from the film (common
    practice, no source).
    """
    over = {ink: [(*bases[ink], 1.0)] if ink in bases else [] for ink in inks}
    rows = [
        (ink, garment, mesh, 1.0, 0.0, *under)
        for ink in inks
        for under in [(None, None, None), *over[ink]]
        for garment in garments
    ]
    columns = ["ink_id", "substrate_id", "mesh_id", "strokes", "flash_count", *UNDERBASE]
    return pd.DataFrame(rows, columns=columns).reindex(columns=SETUP_COLUMNS)


def in_press_order(rows: pd.DataFrame) -> pd.DataFrame:
    """The prints of one screen together, bare ones first: no screen goes up twice."""
    keys = rows[[*SCREEN, *UNDERBASE]].astype(object).where(rows[[*SCREEN, *UNDERBASE]].notna(), "")
    order = keys.astype(str).sort_values(list(keys.columns), kind="stable").index
    return rows.loc[order].reset_index(drop=True)


def screens_of(rows: pd.DataFrame) -> int:
    """How many screens the prints need, those of bases among them."""
    bases = rows[["underbase_ink_id", "underbase_mesh_id"]].dropna().drop_duplicates()
    return len(rows[SCREEN].drop_duplicates()) + len(bases)
