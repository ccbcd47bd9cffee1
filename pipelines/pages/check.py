"""The validation of a model as one self-contained HTML page, for a screen or for paper."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from learn.assessment.cross_validation import KindScore
from learn.assessment.learning_curve import ITERATIONS
from learn.assessment.report import Checkup
from learn.normal import Z90
from pipelines.figures.canvas import inline_svg
from pipelines.figures.chances import ReliabilityDisplay
from pipelines.figures.history import HistoryDisplay
from pipelines.figures.places import PlacesDisplay
from pipelines.pages import render
from pipelines.pages.strips import Axis, budget_bar, difference_axis, share_axis, strip
from pipelines.registry.catalogue import Catalogue
from pipelines.words.check import (
    FACTORS,
    KINDS,
    advice,
    bands_verdict,
    bounds,
    groups,
    parts,
)
from pipelines.words.common import counted, named, number, percent

Display = ReliabilityDisplay | HistoryDisplay | PlacesDisplay
SHOWN_LEVELS = 8  # of each factor; the rest limit less
CURVES = {
    "error": "Half of the prints within, dE00",
    "tests": "Set-ups wanting a test print, %",
    "coverage": "Inside the 90 % bands, %",
}


def write_check_page(
    path: str | os.PathLike,
    found: Checkup,
    catalogue: Catalogue,
    model_version: str,
    made_on: date | None = None,
) -> None:
    """Write the page to ``path``, replacing it only when complete."""
    settings = catalogue.settings
    render.write(
        path,
        "check.html",
        title=f"How far to trust the predictions, {settings.name}",
        shop_name=settings.name,
        head=[
            ("Model", model_version),
            ("Made on", f"{made_on or date.today():%Y-%m-%d}"),
            (
                "Learnt from",
                f"{counted(found.n_prints, 'print')} of {counted(found.n_jobs, 'job')}",
            ),
            ("Set aside as plainly wrong", f"{found.n_set_aside}"),
            ("Tolerance", f"{found.tolerance_dE00:g} dE00"),
        ],
        totals=_totals(found),
        tolerance=f"{found.tolerance_dE00:g}",
        advice=advice(found, catalogue.things()),
        errors=_errors(found.kinds),
        bands=_bands(found.kinds),
        chances=_chances(found),
        curve=_curve(found),
        limits=_limits(found, catalogue),
    )


def _totals(c: Checkup) -> list[tuple[str, str]]:
    job = next(k for k in c.kinds if k.kind == "job")
    return [
        (
            number(job.error, 2),
            f"dE00, within which half of the prints came; scatter alone {number(job.floor, 2)}",
        ),
        (percent(job.coverage.share), "inside the 90 % bands"),
        (percent(c.chances.waved.share), "straight to production"),
        (percent(c.chances.held.share), "of those in tolerance"),
    ]


def _chart(display: Display, title: str, name: str, *, small: bool = False) -> dict:
    """A display drawn as a picture for the page; ``name`` is given once a page."""
    from markupsafe import Markup  # comes with jinja2

    display.plot(title="")  # the page says it, in lines as long as there is room for
    svg = inline_svg(display.figure_, title, display.described, name)
    return {"title": title, "svg": Markup(svg), "small": small}  # escaped by the XML writer


def _kind(k: KindScore) -> dict:
    return {"name": KINDS[k.kind], "groups": groups(k), "n": k.n}


def _errors(kinds: list[KindScore]) -> dict:
    axis = difference_axis(max(max(k.error, k.physics, k.nearest or 0.0) for k in kinds))
    rows = []
    for k in kinds:
        marks = [("bucket", k.physics), ("print", k.error)]
        if k.nearest is not None:
            marks.insert(0, ("target", k.nearest))
        nearest = "none" if k.nearest is None else number(k.nearest, 2)
        said = (
            f"learnt {number(k.error, 2)}, physics alone {number(k.physics, 2)}, "
            f"nearest past print {nearest}; scatter {number(k.floor, 2)}"
        )
        row: dict[str, Any] = {
            name: number(getattr(k, name), 2) for name in ("floor", "error", "physics")
        }
        row |= {"nearest": nearest, "strip": strip(axis, said, marks, bar=(0, k.floor))}
        rows.append(_kind(k) | row)
    return {"axis": axis, "rows": rows}


def _bands(kinds: list[KindScore]) -> dict:
    axis = share_axis(0.5)
    rows = []
    for k in kinds:
        c = k.coverage
        said = (
            f"{percent(c.share)} inside, 95 % interval {bounds(c)}; right bands hold "
            f"{100 * k.honest[0]:.0f} to {100 * k.honest[1]:.0f} %"
        )
        drawn = strip(
            axis, said, [("print", c.share)], interval=(c.lo, c.hi), bar=k.honest, limit=0.9
        )
        row = {
            "strip": drawn,
            "share": percent(c.share),
            "between": f"{100 * c.lo:.0f}-{100 * c.hi:.0f}",
            "verdict": bands_verdict(k),
            "half_width": number(k.half_width),
            "crps": number(k.crps, 2),
            "energy": number(k.energy, 2),
        }
        rows.append(_kind(k) | row)
    places = [
        _chart(PlacesDisplay.from_kind(k), KINDS[k.kind].split(",")[0], f"place{i}", small=True)
        for i, k in enumerate(kinds, 1)
    ]
    return {"axis": axis, "rows": rows, "places": places}


def _chances(c: Checkup) -> dict:
    waved, held = c.chances.waved, c.chances.held
    return {
        "needed": percent(c.chance_needed),
        "waved": percent(waved.share),
        "waved_bounds": bounds(waved),
        "held": percent(held.share),
        "held_bounds": bounds(held),
        "table": c.chances.targets.to_dict("records"),
        "brier": number(c.chances.brier, 3),
        "charts": [
            _chart(ReliabilityDisplay(c.chances.targets), "Made-up targets", "targets"),
            _chart(ReliabilityDisplay(c.chances.own), "Own prediction", "own"),
        ],
    }


def _curve(c: Checkup) -> dict | None:
    if c.curve is None:
        return None
    points = [*c.curve, c.today]
    charts = [_chart(HistoryDisplay(points, shown), CURVES[shown], shown) for shown in CURVES]
    return {
        "order": "in the order they were printed"
        if c.by_date
        else "in random order (dates are missing)",
        "steps": ITERATIONS,
        "charts": charts if c.curve else [],
    }


def _limits(c: Checkup, catalogue: Catalogue) -> dict:
    b = c.budget
    end = float(np.nanmax(c.limits[["expected", "beyond"]].to_numpy(float)))
    axis = difference_axis(1.1 * end)
    factors = []
    for factor, name in FACTORS.items():
        levels = c.limits[c.limits["factor"] == factor]
        shown = levels.head(SHOWN_LEVELS).to_dict("records")
        if shown:
            rows = [_level(row, axis, catalogue) for row in shown]
            factors.append({"name": name, "rows": rows, "more": len(levels) - SHOWN_LEVELS})
    return {
        "parts": parts(b),
        "budget": budget_bar(
            [
                (f"instrument {number(b.instrument, 2)}", b.instrument),
                (f"with press scatter {number(b.scatter, 2)}", max(0.0, b.scatter - b.instrument)),
                (f"with what is not known {number(max(b.error, b.scatter), 2)} dE00", b.removable),
            ]
        ),
        "axis": axis,
        "factors": factors,
    }


def _level(row: dict, axis: Axis, catalogue: Catalogue) -> dict:
    marks, interval, said = [], None, []
    if not pd.isna(row["expected"]):
        marks.append(("bucket", row["expected"]))
        said.append(f"expected {number(row['expected'], 2)}")
    if not pd.isna(row["beyond"]):
        half = Z90 * row["beyond_sd"]
        interval = (row["beyond"] - half, row["beyond"] + half)
        marks.append(("print", row["beyond"]))
        said.append(f"seen {number(row['beyond'], 2)} +- {number(half, 2)}")
    return {
        "level": named(row["level"], *_names(row, catalogue)),
        "strip": strip(axis, "; ".join(said) or "no number yet", marks, interval=interval),
        "n": row["n"],
        "error": number(row["error"], 2),
        "scatter": number(row["scatter"], 2),
        "tests": "-" if pd.isna(row["tests"]) else percent(row["tests"]),
    }


def _names(row: dict, catalogue: Catalogue) -> Iterator[str]:
    table = {"ink": "inks", "garment": "substrates"}.get(row["factor"])
    words = catalogue.words.get(table, {}).get(row["level"], {}) if table else {}
    for name in ("ink_name", "colour_name", "fibre"):
        if word := words.get(name):
            yield word
