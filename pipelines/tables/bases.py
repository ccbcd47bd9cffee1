"""The underbases that a shop prints over most."""

from __future__ import annotations

import pandas as pd

from learn.shop import UNDERBASE

USUAL_BASES = 3  # so many of the shop's commonest underbases are tried on a bare print


def usual_bases(history: pd.DataFrame) -> pd.DataFrame:
    """The commonest underbases (ink, mesh, strokes) of a table of prints, as text cells."""
    cells = history.reindex(columns=UNDERBASE).fillna("").map(str.strip)
    based = cells[(cells["underbase_ink_id"] != "") & (cells["underbase_mesh_id"] != "")]
    common = based.value_counts().head(USUAL_BASES).index.to_frame(index=False)
    common = common.reindex(columns=UNDERBASE)
    strokes = pd.to_numeric(common["underbase_strokes"], errors="coerce").astype(float)
    return common.assign(underbase_strokes=strokes)
