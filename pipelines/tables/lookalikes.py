"""Columns that are not ours and look like one that must not be read past.

A target read past is a job judged without it, a tolerance read past a wider one, a base read past
a print on bare cloth, a misspelt lot or press another print. Such a column is refused where its
cells are all there is; any other unknown column is kept out and told.
"""

from __future__ import annotations

import re

import pandas as pd

from pipelines.tables.headers import near
from pipelines.tables.schema import Table
from pipelines.workspace.problems import Kind, Problem

# common practice, no source
_BASE = {"base", "underbase", "under", "underlay", "underprint", "undercoat", "bottom"}
_BASE |= {"unterdruck", "grundierung", "unterlegung", "unterlage", "vordruck", "basis"}
_BASE |= {"weißunterlage", "weissunterlage", "weißunterlegung", "weissunterlegung"}
_BASE |= {"fond", "fondo", "sottofondo", "ondergrond", "onderdruk", "onderlaag"}
_SCREEN = {"mesh", "screen", "sieb", "gewebe", "maille", "tissu", "malla", "tessuto", "zeef"}
_STROKES = {"stroke", "strokes", "passes", "pulls", "hits", "züge", "anzahl"}
_STROKES |= {"passages", "pasadas", "passate", "slagen"}
_WORDS = {  # common practice, no source
    "target": {"target", "aim", "ziel", "zielfarbe", "soll", "goal", "wanted", "cible", "objetivo"},
    "tolerance_dE00": {"tolerance", "tol", "toleranz", "tolerancia", "tolleranza", "tolerantie"},
}
# Beside these the words above name something else: a day, a number of shirts.
_OTHERWISE = {"date", "day", "due", "week", "time", "qty", "quantity", "price", "cost", "note"}
_BESIDE = {"target": ["target", "target_L", "target_a", "target_b"]}  # any of them will do
_COLOUR = re.compile(r"#[0-9a-fA-F]{6}|[0-9.]+\s*[,;]\s*[-+0-9.]+\s*[,;]\s*[-+0-9.]+")


def refused(table: Table, cells: pd.DataFrame, name: str, file: str) -> list[Problem]:
    """What is wrong with reading past the column ``name``; nothing where no harm comes of it."""
    column = looks_like(table, name, cells[name])
    if column is None:
        return []
    ours = [c for c in _BESIDE.get(column, [column]) if c in cells]
    alone = (cells[name].str.strip() != "") & (cells[ours] == "").all(axis=1)
    if not alone.any():
        return []
    do = f"rename it to {column}, or to something else if it means something else"
    return [
        Problem(file, int(alone.idxmax()), name, "was not understood", do, Kind.UNKNOWN, column)
    ]


def looks_like(table: Table, name: str, cells: pd.Series) -> str | None:
    """The column of ``table`` that an unknown one may mean; None where it means none of these."""
    words = set(re.findall(r"[^\W_]+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).casefold()))
    if words & _OTHERWISE:
        return None
    found = next((column for column, own in _WORDS.items() if words & own), None)
    if found is None and words & _BASE:
        found = "underbase_ink_id"
        if words & _SCREEN:
            found = "underbase_mesh_id"
        elif words & _STROKES:
            found = "underbase_strokes"
    if found is None and cells.str.strip().str.fullmatch(_COLOUR).any():
        found = "target"
    if found is None:
        found = near(table, name)
    return found if found and table.column(found) else None
