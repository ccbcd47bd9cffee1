"""Prints that are set aside, measured beside expected, as one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.pages import render
from pipelines.words.common import counted
from pipelines.words.prediction import setup_words

if TYPE_CHECKING:
    from pipelines.registry.gate import Seen


def write_page(
    path: Path, shop_name: str, lines: Mapping[int, str], seen: Mapping[int, Seen]
) -> None:
    """Write the page to ``path``; ``lines``: row -> ``print batch: why``, the first word its id."""
    prints = []
    for row, line in lines.items():
        head, _, why = line.partition(": ")
        shown = seen.get(row)
        prints.append(
            {
                "id": line.split()[0],
                "head": head,
                "why": why,
                "setup": setup_words(shown.setup) if shown else [],
                "swatches": _swatches(shown) if shown else [],
                "dE00": shown.dE00 if shown else None,
            }
        )
    render.write(
        path,
        "doubts.html",
        title=f"Doubtful prints, {shop_name}",
        shop_name=shop_name,
        n=counted(len(prints), "print"),
        prints=prints,
    )


def _swatches(seen: Seen) -> list[tuple]:
    both = zip(("measured", "expected"), (seen.lab, seen.expected), seen.fills, strict=True)
    return [(words, fill, [float(v) for v in lab]) for words, lab, fill in both if fill]
