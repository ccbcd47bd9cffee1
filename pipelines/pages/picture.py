"""A picture for the customer as one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from learn.colour.colorimetry import in_srgb_gamut, srgb_hex, viewing
from learn.shop import ShopSettings
from pipelines.pages import render
from pipelines.pages.prediction import ends_of
from pipelines.words import picture as words
from pipelines.words.prediction import lab_of

NAMES = {"": "expected print", "bucket_": "ink alone", "target_": "your colour"}


@dataclass(frozen=True)
class Shown:
    """One garment with what is printed on it."""

    fill: str  # of the cloth
    prints: list[str]  # fill of every print that was asked for
    rows: list[dict]  # the prints, each once, as `shown_rows` gives them
    artwork: str | None = None  # recoloured, as the page holds it

    @property
    def name(self) -> str:
        """The garment in words."""
        return words.garment_name(self.rows[0])

    @property
    def named(self) -> str:
        """Its prints in words."""
        return f"{', '.join(row['ink'] for row in self.rows)} on {self.name}"


def shown_rows(table: pd.DataFrame, settings: ShopSettings) -> list[dict]:
    """What the page shows of every print of one garment.

    ``table``: predictions with their set-ups' cells and names, and ``sure``, whether the print is
    known well enough to be shown without a test print.
    """
    view = viewing(settings.illuminant, settings.observer)
    rows = table.to_dict("records")
    for row, way in zip(rows, words.ways(rows), strict=True):
        labs = {name: lab for name in NAMES if (lab := lab_of(row, name)) is not None}
        row["ink"], row["way"] = words.ink_name(row), way
        row["fills"] = {NAMES[name]: str(srgb_hex(lab, view)) for name, lab in labs.items()}
        row["off_screen"] = {
            NAMES[name] for name, lab in labs.items() if not in_srgb_gamut(lab, view)
        }
        row["ends"] = ends_of(row, view)
    return rows


def write_page(path: Path, garments: Sequence[Shown], shop_name: str, file: str | None) -> None:
    """Write the page to ``path``; ``file``: the name of the artwork, if there is any."""
    render.write(
        path,
        "picture.html",
        title=f"{file or garments[0].named}, {shop_name}",
        shop_name=shop_name,
        file=file,
        garments=garments,
        expected=NAMES[""],
        off_screen=any(row["off_screen"] for one in garments for row in one.rows),
        words=words,
    )
