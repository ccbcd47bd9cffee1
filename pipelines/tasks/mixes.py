"""Mixes never printed: how they print is not reckoned from their recipe, but by ``mix``."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from learn.predict.protocol import PrintModel
    from pipelines.words.common import Names


def unprinted_mixes(model: PrintModel, names: Names, setups: pd.DataFrame) -> list[str]:
    """Which command tells of the mixes among ``setups`` of which nothing but a recipe is known."""
    from pipelines.words.prediction import by_recipe

    blank = {*setups["ink_id"]} & {*model.nothing_of()}
    if not blank:
        return []
    inks = model.encoder_.inks
    blank &= {*(inks["mix"].dropna().index if "mix" in inks else [])}
    return [by_recipe(ink, names.get(ink)) for ink in sorted(blank)]
