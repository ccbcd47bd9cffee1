"""What other plants of the group told of inks: with which set-ups it is told, and in short."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from learn.predict.model import ShiftModel
    from learn.predict.protocol import PrintModel
    from learn.shop import Shop

FEW = 4  # prints here, from which on an ink is known by these


def told_inks(
    model: PrintModel, names: Mapping[str, str | None], setups: pd.DataFrame
) -> list[str]:
    """Where what is known of inks printed seldom or never here comes from; ``names``: of inks."""
    from pipelines.words.sisters import ink_sentence

    return [
        ink_sentence(ink, model.prints_of(ink), plants, names)
        for ink in setups["ink_id"].unique()
        if (plants := model.sisters_of(ink)) and model.prints_of(ink) < FEW
    ]


def told_in_short(model: ShiftModel, data: Shop) -> list[str]:
    """Which plants told of how many inks, and which were not followed."""
    from pipelines.words.sisters import status_lines

    names = dict(zip(data.inks["ink_id"], data.inks["ink_name"], strict=True))
    printed = [ink for ink in names if model.prints_of(ink)]
    return list(status_lines(model.sisters_, printed, names))
