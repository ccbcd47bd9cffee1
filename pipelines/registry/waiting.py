"""What prints that wait for a decision leave in doubt, by the model that answers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from pipelines.tables.bases import usual_bases
from pipelines.tables.folder import Given, check_added
from pipelines.tables.spectra import SPECTRUM

if TYPE_CHECKING:
    from learn.monitoring.waiting import Waiting
    from learn.predict.model import ShiftModel


MOST = 60  # of the prints that wait, the latest: what led to each is looked for


def prints_waiting(given: Given) -> pd.DataFrame | None:
    """The prints that wait for a decision, typed; None where none does."""
    if not given.waiting:
        return None
    return check_added(given, given.tables["prints"].loc[list(given.waiting[-MOST:])])[0]


def waiting_in(model: ShiftModel, given: Given) -> list[Waiting]:
    """Lots, presses, screens, inks and garments of which prints wait in the tables; ``model`` has
    been told of these."""
    if not given.waiting:
        return []
    from learn.monitoring.waiting import in_doubt  # slow to import, and seldom needed
    from learn.physics.drawdowns import lab_columns

    cells = given.tables["prints"]
    latest = given.waiting[-MOST:]
    cells = cells[cells.index.isin(latest) | ~cells.index.isin(given.set_aside)]
    waits = cells.index.isin(latest)
    prints, _ = check_added(given, cells)
    return in_doubt(
        model,
        prints,
        lab_columns(prints, model.viewing_),
        waits,
        typed=prints[SPECTRUM].isna().any(axis=1).to_numpy(),
        bases=usual_bases(given.tables["prints"]),
    )
