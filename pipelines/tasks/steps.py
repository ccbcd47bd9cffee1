"""Set-ups one step from a set-up: what somebody at the press would try next."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from enum import StrEnum
from typing import Any

import pandas as pd

from learn.shop import UNDERBASE
from pipelines.tasks.base import usual_base
from pipelines.tasks.usual import Usual

MOST_STROKES = 6  # beyond that nobody prints; common practice, no source


class Step(StrEnum):
    """What is different."""

    BASE_OFF = "base_off"
    BASE_ON = "base_on"
    COARSER = "coarser"
    FINER = "finer"
    STROKE = "stroke"


def one_step(
    cells: dict[str, str], usual: Usual, once: Callable[[Hashable, Callable[[], Any]], Any]
) -> dict[Step, dict[str, str]]:
    """Set-ups (column -> text) that differ in one thing from ``cells``, a whole set-up by
    identifiers: those that the shop can print. ``once``: keeps, by a key, what work gave.
    """
    garment, mesh = cells["substrate_id"], cells.get("mesh_id", "")
    found: dict[Step, dict[str, str]] = {}
    if cells.get(UNDERBASE[0]):
        found[Step.BASE_OFF] = {c: v for c, v in cells.items() if c not in UNDERBASE}
    elif (base := once(("usual base", garment), lambda: usual_base(usual, garment))) is not None:
        told = {c: v for c, v in base.iloc[0].items() if pd.notna(v)}
        found[Step.BASE_ON] = cells | {
            str(c): f"{v:g}" if isinstance(v, float) else str(v) for c, v in told.items()
        }
    beside = once(("screens beside", mesh), lambda: _neighbours(mesh, usual.shop.meshes))
    for step, other in beside.items():
        found[step] = cells | {"mesh_id": other}
    strokes = cells.get("strokes", "")
    if strokes.isdigit() and int(strokes) < MOST_STROKES:
        found[Step.STROKE] = cells | {"strokes": str(int(strokes) + 1)}
    return found


def _neighbours(mesh: str, meshes: pd.DataFrame) -> dict[Step, str]:
    """The next coarser and the next finer screen by their threads."""
    counts = meshes.set_index("mesh_id")["threads_per_cm"].dropna().sort_values(kind="stable")
    if mesh not in counts.index:
        return {}
    coarser, finer = counts[counts < counts[mesh]], counts[counts > counts[mesh]]
    found = {}
    if len(coarser):
        found[Step.COARSER] = str(coarser.index[-1])
    if len(finer):
        found[Step.FINER] = str(finer.index[0])
    return found
