"""Set-ups side by side as one self-contained HTML page."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from learn.shop import ShopSettings
from pipelines.pages import render
from pipelines.pages.prediction import shown_rows
from pipelines.words.compare import answer, side_by_side


def write_page(
    path: Path,
    predictions: pd.DataFrame,
    setups: pd.DataFrame,
    *,
    settings: ShopSettings,
    model_version: str,
) -> None:
    """Write the page to ``path``; frames as `pipelines.pages.prediction.write_page` takes them."""
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
        answer=answer(rows, found.labels),
        rows=rows,
    )
