"""The plants of a group side by side as one self-contained HTML page."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from pipelines.pages import render
from pipelines.pages.strips import Axis, difference_axis, share_axis, strip
from pipelines.words.common import number
from pipelines.words.group import Plant, differences, not_done, told


def write_group_page(
    path: str | os.PathLike,
    title: str,
    plants: Sequence[Plant],
    failed: dict[str, str],
    asked: int,
) -> None:
    """Write the page to ``path``, replacing it only when complete; ``failed`` and ``asked`` as of
    `pipelines.words.group.block`."""
    errors = [e for p in plants for e in (p.error, p.physics) if e is not None]
    axis = difference_axis(max(errors, default=1.0))
    shares = replace(share_axis(0.5), ticks=(0.5, 0.7, 0.9))  # a phone has room for three
    render.write(
        path,
        "group.html",
        title=title,
        head=[
            ("Made on", f"{date.today():%Y-%m-%d}"),
            ("Plants", f"{len(plants)} of {asked}"),
            ("Prints", str(sum(plant.prints for plant in plants))),
        ],
        axis=axis,
        shares=shares,
        rows=[_row(plant, axis, shares) for plant in plants],
        notes=[*differences(plants), *not_done(failed)],
    )


def _row(plant: Plant, axis: Axis, shares: Axis) -> dict:
    marks = [("bucket", plant.physics), ("print", plant.error)]
    said = f"learnt {number(plant.error, 2)}, physics alone {number(plant.physics, 2)}"
    drawn = strip(axis, said, [(shape, value) for shape, value in marks if value is not None])
    held = [] if plant.in_bands is None else [("print", plant.in_bands)]
    return {
        "plant": plant,
        "error": number(plant.error, 2),
        "physics": number(plant.physics, 2),
        "strip": drawn,
        "bands": strip(shares, f"{plant.share} inside", held, limit=0.9),
        "tests": "-" if plant.asked is None else f"{100 * plant.asked:.0f}",
        "told": list(told(plant)),
        "kinds": [(k, n, number(e, 2), f"{100 * s:.0f} %") for k, n, e, s in plant.kinds],
    }
