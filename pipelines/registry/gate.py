"""The model in charge looks at prints that come in; what it finds is said in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from learn.shop import UNDERBASE
from pipelines.ledger.recording import Doubt, Gate
from pipelines.registry import versions
from pipelines.registry.opened import read_model
from pipelines.tables.folder import Given, to_shop
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from learn.monitoring.inspection import Arrival

USUAL_BASES = 3  # so many of the shop's commonest underbases are tried on a bare print


def gate_of(workspace: Workspace, shop: str, notes: list[str]) -> Gate | None:
    """The check by the model in charge; None, and a note, where nothing has been learnt yet.

    Raises UserError where the model in charge cannot be read: what came in past it would be
    learnt from before any model had looked at it.
    """
    folder = workspace.models(shop)
    if not versions.versions(folder):
        notes.append("Not checked against a model: none has been learnt yet.")
        return None
    from learn.monitoring import inspection  # takes seconds to import, as does the model

    try:
        _, model = read_model(folder)
    except UserError as error:
        raise UserError(
            f"{folder}: the model in charge, against which prints are checked, cannot be read by "
            "this version; run strikeoff learn first, then this again; nothing was changed."
        ) from error

    def gate(prints: pd.DataFrame, lab: np.ndarray, typed: np.ndarray, given: Given) -> list[Doubt]:
        new = len(model.encoder_.unknown(prints)) > 0
        told = model.told_of(to_shop(given)) if new else model
        bases = usual_bases(given.tables["prints"])
        found = inspection.inspect_arrivals(told, prints, lab, typed=typed, bases=bases)
        return [
            Doubt(str(prints["print_id"].iloc[i]), _words(found, i, prints.iloc[i]),
                  float(found.distance[i]))
            for i in np.flatnonzero(found.doubtful).tolist()
        ]  # fmt: skip

    return gate


def _words(found: Arrival, i: int, setup: pd.Series) -> str:
    """``12.0 dE00 from expected; looks like ink C07 instead of C19: was it swapped?``"""
    said = f"{found.dE00[i]:.1f} dE00 from expected"
    expected = ", ".join(f"{v:.0f}" for v in found.expected[i])
    slip = found.slips[i]
    if slip is None:
        return f"{said} (L, a, b {expected})"
    one, either = slip.names[0], " or ".join(slip.names)
    match slip.kind:
        case "ink":
            guess = f"ink {either} instead of {setup['ink_id']}: was it swapped?"
        case "base" if one:
            guess = f"a print over base {one}: is the base missing from the row?"
        case "base":
            guess = f"a print without base {setup['underbase_ink_id']}: was it left out?"
        case "print":
            guess = f"print {either} of the same batch: were they mixed up?"
        case _:
            guess = f"{one}: was it typed so?"
    return f"{said}; looks like {guess}"


def usual_bases(history: pd.DataFrame) -> pd.DataFrame:
    """The commonest underbases (ink, mesh, strokes) of a table of prints, as text cells."""
    cells = history.reindex(columns=UNDERBASE).fillna("").map(str.strip)
    based = cells[(cells["underbase_ink_id"] != "") & (cells["underbase_mesh_id"] != "")]
    common = based.value_counts().head(USUAL_BASES).index.to_frame(index=False)
    common = common.reindex(columns=UNDERBASE)
    strokes = pd.to_numeric(common["underbase_strokes"], errors="coerce").astype(float)
    return common.assign(underbase_strokes=strokes)
