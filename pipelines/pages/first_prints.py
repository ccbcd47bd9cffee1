"""The press sheet of a shop's first prints: screen by screen, with room for what is measured."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import pandas as pd

from pipelines.pages import render
from pipelines.pages.press_sheet import READINGS, cautions


def first_prints_page(
    prints: pd.DataFrame,
    *,
    shop_name: str,
    words: Mapping[str, str],
    fibres: Mapping[str, str | None],
    known: Mapping[str, str],
) -> str:
    """The page of ``prints``, the text cells that `prints_to_measure` makes.

    ``words``: identifier -> what it is called; ``known``: ink -> what will be known of it.
    """
    groups = [
        {
            "screen": f"{words.get(ink, ink)} through {words.get(mesh, mesh)}",
            "known": known.get(ink, ""),
            "prints": [_line(row, words) for row in rows.to_dict("records")],
        }
        for (ink, mesh), rows in prints.groupby(["ink_id", "mesh_id"], sort=False)
    ]
    used = {garment: fibres.get(garment) for garment in prints["substrate_id"].unique()}
    return render.text(
        "first_prints.html",
        title="First prints",
        shop_name=shop_name,
        made=f"{date.today():%Y-%m-%d}",
        groups=groups,
        readings=READINGS,
        cautions=cautions(0.0, used),
    )


def _line(row: Mapping, words: Mapping[str, str]) -> dict:
    base = row["underbase_ink_id"]
    mesh = row["underbase_mesh_id"]
    through = f"{words.get(base, base)} through {words.get(mesh, mesh)}, flashed and cool"
    return {
        "print_id": row["print_id"],
        "garment": words.get(row["substrate_id"], row["substrate_id"]),
        "base": through if base else "none",
        "strokes": row["strokes"],
    }
