"""Set-ups side by side as one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from learn.shop import ShopSettings
from pipelines.pages import render
from pipelines.pages.prediction import shown_rows
from pipelines.words.compare import side_by_side


def write_page(
    path: Path,
    predictions: pd.DataFrame,
    setups: pd.DataFrame,
    *,
    answered: Sequence[str],
    settings: ShopSettings,
    model_version: str,
) -> None:
    """Write the page to ``path``; frames as `pipelines.pages.prediction.write_page` takes them,
    ``answered`` as `pipelines.words.compare.answer` says it."""
    rows = shown_rows(predictions, setups, settings)
    found = side_by_side(rows)
    for row, label in zip(rows, found.labels, strict=True):
        row["label"] = label
    render.write(
        path,
        "compare.html",
        title=f"Set-ups side by side, {settings.name}",
        shop_name=settings.name,
        head=[*found.shared, ("Model", model_version)],
        answer=answered,
        rows=rows,
    )
