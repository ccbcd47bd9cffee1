"""Prints of an ink that are recorded and not learnt yet, counted where the next are asked for."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING

from pipelines.words.common import counted

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel
    from learn.shop import Shop


def with_recorded(model: ShiftModel, shop: Shop, ink: str) -> tuple[ShiftModel, list[str]]:
    """The model with what ``shop`` has recorded since it learnt, where some of that is of ``ink``;
    and what is told of it. Nothing is stored."""
    own = shop.prints.loc[shop.prints["ink_id"] == ink, "print_id"]
    n = int((~own.isin(model.marks_["prints"])).sum())
    if not n:
        return model, []
    which = f"{counted(n, 'print')} of {ink} recorded since the model learnt"
    try:
        return copy.copy(model).append(shop), [f"{which}: counted here."]
    except ValueError:  # what it has learnt from has changed
        return model, [f"{which}: not counted here; run strikeoff learn, and ask again."]
