"""The validation of a model as one self-contained HTML page, for a screen or for paper."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import date
from html import escape
from pathlib import Path

import numpy as np
import pandas as pd

from learn.assessment.cross_validation import KindScore
from learn.assessment.learning_curve import ITERATIONS
from learn.assessment.report import Checkup
from learn.normal import Z90
from pipelines.pages import check_drawing as draw
from pipelines.pages import drawing
from pipelines.pages.check_style import CHECK_STYLE
from pipelines.pages.page_style import STYLE
from pipelines.registry.catalogue import Catalogue
from pipelines.words.check import (
    FACTORS,
    KINDS,
    advice,
    bands_verdict,
    bounds,
    groups,
    parts,
    percent,
)
from pipelines.words.prediction import count, number
from pipelines.workspace.files import write_text

SHOWN_LEVELS = 8  # of each factor; the rest limit less


def write_check_page(
    path: str | os.PathLike,
    found: Checkup,
    catalogue: Catalogue,
    model_version: str,
    made_on: date | None = None,
) -> None:
    """Write the page to ``path``, replacing it only when complete."""
    settings = catalogue.settings
    title = f"How far to trust the predictions, {settings.name}"
    body = [
        _head(found, settings.name, model_version, made_on or date.today()),
        _advice(found),
        _errors(found.kinds),
        _bands(found.kinds),
        _chances(found),
        _curve(found),
        _limits(found, catalogue),
    ]
    write_text(
        Path(path),
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}{CHECK_STYLE}</style></head><body><main>"
        f"{''.join(body)}{NOTES}</main></body></html>\n",
    )


def _head(c: Checkup, shop: str, version: str, day: date) -> str:
    facts = [
        ("Model", escape(version)),
        ("Made on", f"{day:%Y-%m-%d}"),
        ("Learnt from", f"{count(c.n_prints, 'print')} of {count(c.n_jobs, 'job')}"),
        ("Set aside as gross errors", f"{c.n_set_aside}"),
        ("Tolerance", f"{c.tolerance_dE00:g} dE00"),
    ]
    listed = "".join(f"<div><dt>{term}</dt><dd>{value}</dd></div>" for term, value in facts)
    job = next(k for k in c.kinds if k.kind == "job")
    totals = [
        (number(job.error, 2), f"dE00 median error; scatter alone {number(job.floor, 2)}"),
        (percent(job.coverage.share), "inside the 90 % bands"),
        (percent(c.chances.waved.share), "straight to production"),
        (percent(c.chances.held.share), "of those in tolerance"),
    ]
    shown = "".join(f"<li><b>{value}</b>{words}</li>" for value, words in totals)
    return (
        f"<header><p class='over'>How far to trust the predictions</p><h1>{escape(shop)}</h1>"
        f"<dl class='facts'>{listed}</dl><ul class='totals'>{shown}</ul></header>"
        "<p class='how'>The shop's own past prints were predicted again, each time with something "
        "kept from the model, and compared with what was measured.</p>"
    )


def _advice(c: Checkup) -> str:
    lines = "".join(f"<li>{escape(text)}</li>" for text in advice(c))
    return f"<section><h2>What to do next</h2><ol>{lines}</ol></section>"


def _kind_cell(k: KindScore) -> str:
    return f"<th class='what'>{KINDS[k.kind]}<small>{groups(k)}, {k.n} prints</small></th>"


def _errors(kinds: list[KindScore]) -> str:
    axis = draw.difference_axis(max(max(k.error, k.physics, k.nearest or 0.0) for k in kinds))
    rows = []
    for k in kinds:
        marks = [("bucket", k.physics), ("print", k.error)]
        if k.nearest is not None:
            marks.insert(0, ("target", k.nearest))
        nearest = "none" if k.nearest is None else number(k.nearest, 2)
        said = (
            f"Median dE00: learnt {number(k.error, 2)}, physics alone {number(k.physics, 2)}, "
            f"nearest past print {nearest}; scatter {number(k.floor, 2)}"
        )
        rows.append(
            f"<tr>{_kind_cell(k)}"
            f"<td class='drawn'>{draw.strip(axis, said, marks, bar=(0, k.floor))}</td>"
            f"<td class='num'>{number(k.floor, 2)}</td>"
            f"<td class='num'><b>{number(k.error, 2)}</b></td>"
            f"<td class='num'>{number(k.physics, 2)}</td><td class='num'>{nearest}</td></tr>"
        )
    keys = (
        f"<p class='keys'><span><i class='block'></i>scatter of press and instrument</span><span>"
        f"{_filled('print')} learnt</span><span>{drawing.key('bucket')} physics alone</span><span>"
        f"{drawing.key('target')} nearest past print</span></p>"
    )
    return (
        "<section><h2>Error, by what was kept from the model</h2><p>Half of the prints came closer "
        "than this to their prediction. The grey bar is how far a print strays from the true "
        "colour of its set-up by scatter of press and instrument alone: no prediction can do "
        f"better.</p>{keys}<table class='checked'><thead><tr>"
        "<th class='what'>Kept from the model</th>"
        f"<th class='drawn'>{draw.axis_head(axis, 'median dE00 to the measured print')}</th>"
        "<th class='num'>Scatter</th><th class='num'>Learnt</th><th class='num'>Physics</th>"
        f"<th class='num'>Nearest print</th></tr></thead><tbody>{''.join(rows)}</tbody></table>"
        "</section>"
    )


def _filled(shape: str) -> str:
    return (
        '<svg class="key" width="16" height="16" aria-hidden="true">'
        f"{drawing.mark(shape, 8, 8, draw.DARK)}</svg>"
    )


def _bands(kinds: list[KindScore]) -> str:
    axis = draw.share_axis(0.5)
    rows = []
    for k in kinds:
        c = k.coverage
        said = (
            f"{percent(c.share)} inside, 95 % interval {bounds(c)}; honest bands hold "
            f"{100 * k.honest[0]:.0f} to {100 * k.honest[1]:.0f} %"
        )
        drawn = draw.strip(
            axis, said, [("print", c.share)], interval=(c.lo, c.hi), bar=k.honest, limit=0.9
        )
        rows.append(
            f"<tr>{_kind_cell(k)}<td class='drawn'>{drawn}</td>"
            f"<td class='num'><b>{percent(c.share)}</b>"
            f"<small>{100 * c.lo:.0f}-{100 * c.hi:.0f}</small></td>"
            f"<td class='word'>{bands_verdict(k)}</td>"
            f"<td class='num'>&#177; {number(k.half_width)}</td>"
            f"<td class='num'>{number(k.crps, 2)}</td>"
            f"<td class='num'>{number(k.energy, 2)}</td></tr>"
        )
    pits = "".join(
        draw.histogram(k.pit, max(k.coverage.trials, 1.0), KINDS[k.kind].split(",")[0])
        for k in kinds
    )
    return (
        "<section><h2>Bands: do nine of ten fall inside?</h2><p>The widths were set on these same "
        "prints, so they are cross-checked: set on one half of the jobs, inks, garments ..., "
        "counted on the other. Prints that err together count as fewer, and with few inks or "
        "presses the interval is wide however many prints there are.</p>"
        f"<p class='keys'><span>{_filled('print')} observed, with 95 % interval</span><span>"
        "<i class='block'></i>where honest bands would be, 95 times in 100</span><span>"
        "<i class='dash'></i>the 90 % promised</span></p>"
        "<table class='checked'><thead><tr><th class='what'>Kept from the model</th>"
        f"<th class='drawn'>{draw.axis_head(axis, 'L, a, b inside their 90 % bands, %')}</th>"
        "<th class='num'>Inside</th><th class='word'>Bands</th><th class='num'>Width</th>"
        "<th class='num'>CRPS</th><th class='num'>Energy score</th></tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table>"
        "<p><small>Width: half of a typical band (median over prints). CRPS (mean over L, a, b) "
        "and energy score (L, a, b together) are in Lab units; both reward bands that are narrow "
        "and right, and smaller is better.</small></p>"
        "<h3>Where in its predicted spread each print fell</h3><p>Flat, within the dashed lines, "
        "is honest; high at both ends, bands too narrow; high in the middle, too wide; a slope, "
        "predictions off to one side.</p>"
        f"<div class='flow'>{pits}</div></section>"
    )


def _chances(c: Checkup) -> str:
    waved, held = c.chances.waved, c.chances.held
    table = "".join(
        f"<tr><td class='num'>{percent(r.stated)}</td><td class='num'>{percent(r.observed)}</td>"
        f"<td class='num'>{100 * r.lo:.0f} to {100 * r.hi:.0f}</td><td class='num'>{r.n}</td></tr>"
        for r in c.chances.targets.itertuples()
    )
    return (
        "<section><h2>Does the chance of being in tolerance come true?</h2><p>"
        f"From a chance of {percent(c.chance_needed)} on, <b>{percent(waved.share)}</b> of the "
        f"past prints ({bounds(waved)}) would have gone straight to production, each predicted "
        f"without its job; <b>{percent(held.share)}</b> of those ({bounds(held)}) came within "
        f"{c.tolerance_dE00:g} dE00 of the prediction. Made-up targets, drawn all round each "
        "prediction without looking at what was measured, try the chances between never and "
        "always.</p>"
        f"<p class='keys'><span>{_filled('print')} agrees, within its 95 % interval</span><span>"
        f"{drawing.key('bucket')} does not</span><span><i class='dash'></i>where both are equal"
        "</span></p><div class='flow'>"
        f"{draw.reliability_plot(c.chances.targets, 'Made-up targets: observed share, %')}"
        f"{draw.reliability_plot(c.chances.own, 'Own prediction: observed share, %')}"
        "<table class='checked bins'><thead><tr><th class='num'>Stated</th>"
        "<th class='num'>Observed</th>"
        "<th class='num'>95 %</th><th class='num'>Cases</th></tr></thead>"
        f"<tbody>{table}</tbody></table></div><p><small>The table is of the made-up targets; "
        f"their Brier score is {number(c.chances.brier, 3)} (0 is perfect, 0.25 a coin). "
        "One interval in twenty misses by chance.</small></p></section>"
    )


def _curve(c: Checkup) -> str:
    head = "<section><h2>What more prints are worth</h2>"
    if c.curve is None:
        return f"{head}<p>The learning curve was left out of this run (--quick).</p></section>"
    points = [*c.curve, c.today]
    order = "in the order they were printed" if c.by_date else "in random order (dates are missing)"
    text = (
        f"<p>Learnt anew from the first part of the jobs, {order}, and scored on the jobs that "
        "follow: all of these set-ups were still to come. The search was cut to "
        f"{ITERATIONS} steps to keep it short. The last mark is the whole history, each job left "
        "out.</p>"
    )
    if not c.curve:
        return f"{head}<p>The history is too short to learn from a part of it.</p></section>"
    plots = (
        draw.curve_plot(
            [(p.n, *p.error) for p in points],
            "Median dE00 to the measured print",
            lambda v: f"{v:.2g}",
        ),
        draw.curve_plot(
            [(p.n, p.tests.share, p.tests.lo, p.tests.hi) for p in points],
            "Set-ups wanting a test print, %",
            lambda v: f"{100 * v:.0f}",
        ),
        draw.curve_plot(
            [(p.n, p.coverage.share, p.coverage.lo, p.coverage.hi) for p in points],
            "Inside the 90 % bands, %",
            lambda v: f"{100 * v:.0f}",
            bottom=min(0.6, *(p.coverage.lo for p in points)),
            top=1.0 / 1.05,
            limit=0.9,
        ),
    )
    keys = (
        f"<p class='keys'><span>{_filled('print')} learnt from so many prints</span><span>"
        f"{drawing.key('bucket')} all prints, each job left out</span>"
        "<span>whiskers: 95 %</span></p>"
    )
    return f"{head}{text}{keys}<div class='flow'>{''.join(plots)}</div></section>"


def _limits(c: Checkup, catalogue: Catalogue) -> str:
    b = c.budget
    bar = draw.budget_bar(
        [
            (f"instrument {number(b.instrument, 2)}", b.instrument),
            (f"with press scatter {number(b.scatter, 2)}", max(0.0, b.scatter - b.instrument)),
            (f"with what is not known {number(max(b.error, b.scatter), 2)} dE00", b.removable),
        ]
    )
    end = float(np.nanmax(c.limits[["expected", "beyond"]].to_numpy(float)))
    axis = draw.difference_axis(1.1 * end)
    tables = "".join(_factor(c.limits, factor, axis, catalogue) for factor in FACTORS)
    return (
        f"<section><h2>What limits accuracy now</h2><p>{parts(b)}</p>{bar}"
        "<p>Below, dE00 <i>beyond</i> that scatter. <b>Seen</b>: mean of past prints, each "
        "predicted without its job; all inks, garments, presses and meshes estimated together and "
        "drawn towards the average where prints are few, with 90 % interval. <b>Expected</b>: what "
        "the model itself expects if usual set-ups were printed with it tomorrow. Steps on the "
        "axis shrink to the right.</p>"
        f"<p class='keys'><span>{_filled('print')} seen, with 90 % interval</span><span>"
        f"{drawing.key('bucket')} expected</span></p>{tables}</section>"
    )


def _factor(limits: pd.DataFrame, factor: str, axis: draw.Axis, catalogue: Catalogue) -> str:
    levels = limits[limits["factor"] == factor]
    if levels.empty:
        return ""
    rows = "".join(_level(r, axis, catalogue) for r in levels.head(SHOWN_LEVELS).to_dict("records"))
    more = len(levels) - SHOWN_LEVELS
    rest = f"<p><small>and {more} more that limit less</small></p>" if more > 0 else ""
    return (
        f"<table class='checked'><thead><tr><th class='what'>{FACTORS[factor]}</th>"
        f"<th class='drawn'>{draw.axis_head(axis, 'dE00 beyond scatter')}</th>"
        "<th class='num'>Prints</th><th class='num'>Error</th><th class='num'>Scatter</th>"
        "<th class='num'>Want a test</th></tr></thead>"
        f"<tbody>{rows}</tbody></table>{rest}"
    )


def _level(row: dict, axis: draw.Axis, catalogue: Catalogue) -> str:
    marks, interval, said = [], None, []
    if not pd.isna(row["expected"]):
        marks.append(("bucket", row["expected"]))
        said.append(f"expected {number(row['expected'], 2)}")
    if not pd.isna(row["beyond"]):
        half = Z90 * row["beyond_sd"]
        interval = (row["beyond"] - half, row["beyond"] + half)
        marks.append(("print", row["beyond"]))
        said.append(f"seen {number(row['beyond'], 2)} +- {number(half, 2)}")
    named = " ".join(_names(row, catalogue))
    tests = "-" if pd.isna(row["tests"]) else percent(row["tests"])
    return (
        f"<tr><th class='what'>{escape(str(row['level']))}<small> {escape(named)}</small></th>"
        f"<td class='drawn'>{draw.strip(axis, '; '.join(said), marks, interval=interval)}</td>"
        f"<td class='num'>{row['n']}</td><td class='num'>{number(row['error'], 2)}</td>"
        f"<td class='num'>{number(row['scatter'], 2)}</td><td class='num'>{tests}</td></tr>"
    )


def _names(row: dict, catalogue: Catalogue) -> Iterator[str]:
    table = {"ink": "inks", "garment": "substrates"}.get(row["factor"])
    words = catalogue.words.get(table, {}).get(row["level"], {}) if table else {}
    for name in ("ink_name", "colour_name", "fibre"):
        if words.get(name):
            yield words[name]


NOTES = (
    "<footer><h2>What this page cannot tell</h2><ul>"
    "<li>Scatter is the model's own estimate, from prints of one job and repeated set-ups.</li>"
    "<li>Only what resembles the history was checked. A new kind of ink or cloth, or a fault that "
    "nobody wrote down, is outside.</li>"
    "<li>Prints set aside as gross errors are counted nowhere.</li>"
    "<li>Colour in tolerance is not a garment fit to ship: cure, hand and wash are tested apart, "
    "by the ink maker's data sheet.</li></ul></footer>"
)
