"""What moves one print, as one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from learn.colour.colorimetry import srgb_hex, viewing
from pipelines.figures.canvas import inline_svg
from pipelines.figures.shares import SharesDisplay
from pipelines.pages import render
from pipelines.words.prediction import setup_words
from pipelines.words.why import FILM, ORDER, ORDERS, Row

if TYPE_CHECKING:
    from markupsafe import Markup

    from learn.predict.shares import Shares
    from pipelines.registry.opened import Opened


class Way(NamedTuple):
    """One way from somewhere to the print, with its words."""

    shares: Shares
    rows: list[Row]
    said: list[str]
    away_from: str


def write_page(path: Path, ways: Sequence[Way], setups: Sequence[Mapping], opened: Opened) -> None:
    """Write the page to ``path``; ``setups``: the print, and the other one if there is one."""
    settings = opened.catalogue.settings
    view = viewing(settings.illuminant, settings.observer)
    render.write(
        path,
        "why.html",
        title=f"What moves this print, {settings.name}",
        shop_name=settings.name,
        head=[*setup_words(setups[0]), ("Model", opened.by)],
        film=FILM,
        orders=ORDERS if len(setups) > 1 else ORDER,
        other=setup_words(setups[1]) if len(setups) > 1 else None,
        ways=[
            {
                "title": f"Away from {way.away_from}",
                "said": way.said,
                "rows": way.rows,
                "total": way.shares.total_dE00,
                "whole": way.shares.end - way.shares.start,
                "swatches": [
                    (way.away_from.removeprefix("the "), str(srgb_hex(way.shares.start, view))),
                    ("this print", str(srgb_hex(way.shares.end, view))),
                ],
                "bars": _bars(way, f"bars{i}"),
            }
            for i, way in enumerate(ways)
        ],
    )


def _bars(way: Way, name: str) -> Markup:
    from markupsafe import Markup  # comes with jinja2

    display = SharesDisplay(way.rows, way.shares.total_dE00, way.away_from).plot()
    return Markup(inline_svg(display.figure_, "What moves it", display.described, name))
