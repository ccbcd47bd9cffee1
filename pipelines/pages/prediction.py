"""One prediction run as one self-contained HTML page, to read on a screen or on paper."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import date
from html import escape
from pathlib import Path

import numpy as np
import pandas as pd

from learn.colour.colorimetry import in_srgb_gamut, srgb_hex, viewing
from learn.normal import Z90
from learn.shop import ShopSettings
from pipelines.pages import drawing
from pipelines.pages.drawing import Colour
from pipelines.pages.page_style import STYLE
from pipelines.words.prediction import (
    chance,
    count,
    go_from,
    in_tolerance,
    interval,
    known,
    number,
    setup_words,
)
from pipelines.words.verdict import HEADLINES, headline, kind
from pipelines.workspace.files import write_text

# Prefixes of the Lab columns, in the order the swatches lie: the print touches both others.
COLOURS = {"bucket": "bucket_", "print": "", "target": "target_"}


def write_page(
    path: str | os.PathLike,
    predictions: pd.DataFrame,
    setups: pd.DataFrame,
    *,
    shop_name: str,
    model_version: str,
    settings: ShopSettings,
    validation: Mapping[str, float],
    made_on: date | None = None,
) -> None:
    """Write the page of one prediction run to ``path``, replacing it only when complete.

    ``predictions`` has the Predictions columns, ``setups`` those of set-ups to predict; they are
    matched by ``setup_id`` and shown in the order of ``predictions``. ``validation`` may hold
    ``n_prints``, ``n_jobs``, ``median_dE00``, ``coverage90`` (0..1), ``physics_median_dE00`` and
    ``nearest_median_dE00``, all on held-out jobs; missing ones are left unsaid.
    """
    rows = _rows(predictions, setups, settings)
    title = f"Colour predictions, {shop_name}"
    parts = [
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body><main>",
        _head(rows, shop_name, model_version, settings, made_on or date.today()),
    ]
    if rows:
        parts += [_reading(settings, validation), _overview(rows)]
        end = drawing.strip_end(max(_largest_difference(row) for row in rows))
        parts += [_card(row, end) for row in rows]
    else:
        parts.append(
            "<p class='none'>There is no set-up in this run, so nothing was predicted. "
            "Put one row per set-up into the table of set-ups and predict again.</p>"
        )
    parts.append(f"{CAUTIONS}</main></body></html>\n")
    write_text(Path(path), "".join(parts))


def _rows(predictions: pd.DataFrame, setups: pd.DataFrame, settings: ShopSettings) -> list[dict]:
    """One mapping per prediction: its cells and its set-up's, its colours and tolerance outline."""
    if predictions.empty:
        return []
    own = [c for c in setups.columns if c == "setup_id" or c not in predictions.columns]
    table = predictions.astype({"setup_id": str}).merge(
        setups[own].astype({"setup_id": str}), on="setup_id", how="left", validate="one_to_one"
    )
    columns = [prefix + channel for prefix in COLOURS.values() for channel in "Lab"]
    lab = table.reindex(columns=columns).to_numpy(float).reshape(-1, len(COLOURS), 3)
    present = np.isfinite(lab).all(axis=-1)
    filled = np.where(present[..., None], lab, 50.0)
    view = viewing(settings.illuminant, settings.observer)
    fills, shown = srgb_hex(filled, view), in_srgb_gamut(filled, view)
    tolerance = table.reindex(columns=["tolerance_dE00"])["tolerance_dE00"].astype(float)
    tolerance = tolerance.fillna(settings.tolerance_dE00).to_numpy()
    outline = drawing.tolerance_outline(filled[:, -1], tolerance, drawing.outline_directions())

    rows = table.to_dict("records")
    for i, row in enumerate(rows):
        row["n"] = i + 1
        row["tolerance_dE00"] = tolerance[i]
        row["kind"] = kind(row)
        row["colours"] = {
            name: Colour(tuple(lab[i, j]), str(fills[i, j]))
            for j, name in enumerate(COLOURS)
            if present[i, j]
        }
        row["off_screen"] = {
            name for j, name in enumerate(COLOURS) if present[i, j] and not shown[i, j]
        }
        row["outline"] = outline[i] if "target" in row["colours"] else None
    return rows


def _largest_difference(row: Mapping) -> float:
    values = [known(row, key) for key in ("shift_hi", "shift_dE00", "target_hi", "target_dE00")]
    return max(
        [1.2 * row["tolerance_dE00"], *(float(value) for value in values if value is not None)]
    )


def _head(
    rows: list[dict], shop_name: str, model_version: str, settings: ShopSettings, day: date
) -> str:
    facts = [
        ("Model", escape(model_version)),
        ("Made on", f"{day:%Y-%m-%d}"),
        ("Tolerance unless the job has its own", f"{settings.tolerance_dE00:g} dE00"),
        ("Straight to production from a chance of", f"{100 * go_from(settings)[0]:.0f} %"),
        ("Lab under", escape(f"{settings.illuminant}, {settings.observer} degree observer")),
    ]
    listed = "".join(f"<div><dt>{term}</dt><dd>{value}</dd></div>" for term, value in facts)
    kinds = [row["kind"] for row in rows]
    totals = "".join(
        f"<li><b>{kinds.count(one)}</b>{drawing.verdict_sign(one)} {words.lower()}</li>"
        for one, words in reversed(HEADLINES.items())
        if one in kinds or one != "no_target"
    )
    return (
        f"<header><p class='over'>Colour predictions</p><h1>{escape(shop_name)}</h1>"
        f"<dl class='facts'>{listed}</dl>"
        + (f"<ul class='totals'>{totals}</ul>" if rows else "")
        + "</header>"
    )


def _reading(settings: ShopSettings, validation: Mapping[str, float]) -> str:
    least, by_cost = go_from(settings)
    rule = f"its chance of being in tolerance reaches {100 * least:.0f} %"
    if by_cost:
        rule += " (there a test print costs as much as the spoiled print it may prevent)"
    marks = ", ".join(f"{drawing.key(name)} {name}" for name in COLOURS)
    return (
        "<section class='reading'><div><h2>How to read this page</h2><p>"
        "The swatches touch: bucket, the ink so thick that nothing shows through; print, what "
        "this set-up should give; target, what the job asks for. "
        "Every band and every &#177; is meant to hold the next print nine times in ten; dE00 is "
        "the size of a colour difference. "
        "Without a target, in tolerance means: as close as that to the predicted colour; it says "
        "how predictable the print is, and nothing goes to production by it. "
        f"A set-up goes straight to production when {rule}. Otherwise it wants a test print, or, "
        "where a test print would settle nothing, another set-up first."
        f"</p></div><div><h2>How far to trust it</h2><p>{_trust(validation)}</p></div>"
        f"<p class='legend'>In the drawings: {marks}; shaded, where 90 % "
        "of next prints should fall, from the spread of L*, a* and b* each for itself (how they "
        "move together is not in the table of predictions); dashed, the tolerance; "
        "<i>beyond</i>, a bucket too far off to fit. The a*b* plane and the L* scale of one "
        "set-up share one scale; steps on the dE00 axis shrink to the right, so that small "
        "differences get the room.</p></section>"
    )


def _trust(validation: Mapping[str, float]) -> str:
    def value(name: str) -> float | None:
        return known(validation, name)

    median, coverage = value("median_dE00"), value("coverage90")
    if median is None and coverage is None:
        return "This model has not been checked on jobs held back from learning."
    held = "prints"
    if value("n_prints") is not None:
        held = count(int(value("n_prints")), "print")
        if value("n_jobs") is not None:
            held += f" of {count(int(value('n_jobs')), 'job')}"
    text = f"Checked on {held}, each predicted with its whole job held back from learning: "
    found = []
    if median is not None:
        found.append(f"half of them came within <b>{number(median, 2)} dE00</b> of the prediction")
    if coverage is not None:
        found.append(f"the 90 % bands held <b>{100 * coverage:.0f} %</b> of them")
    text += " and ".join(found) + "."
    rivals = [
        f"{words} {number(value(name), 2)}"
        for name, words in (
            ("physics_median_dE00", "ink physics alone"),
            ("nearest_median_dE00", "the nearest past print"),
        )
        if value(name) is not None
    ]
    if rivals:
        text += f" For comparison, half of them came within: {', '.join(rivals)} dE00."
    return text


def _overview(rows: list[dict]) -> str:
    """All set-ups by verdict, the least likely to pass on top."""
    order = list(HEADLINES)

    def urgency(row: Mapping) -> tuple:
        p = known(row, "p_in_tolerance")
        return (order.index(row["kind"]), -1.0 if p is None else p)

    targets = any("target" in row["colours"] for row in rows)
    lines = []
    for row in sorted(rows, key=urgency):
        colours = "".join(
            f"<i style='background:{colour.fill}'></i>" for colour in row["colours"].values()
        )
        setup = escape(str(row["setup_id"]))
        miss = f"<td>{_with_interval(row, 'target')}</td>" if targets else ""
        ink, garment = (escape(words) for _, words in setup_words(row)[:2])
        lines.append(
            f"<tr><td class='n'>{row['n']}</td>"
            f"<td class='name'><a href='#s{row['n']}'>{setup}</a><small>{ink} on {garment}</small>"
            f"</td><td><span class='mini'>{colours}</span></td>"
            f"<td>{_with_interval(row, 'shift')}</td>{miss}"
            f"<td class='one'>{chance(known(row, 'p_in_tolerance'))}"
            f"<small>of {'target' if 'target' in row['colours'] else 'prediction'}</small></td>"
            f"<td>{_verdict(row, HEADLINES[row['kind']])}</td></tr>"
        )
    return (
        "<section><h2>All set-ups, those to look at first on top</h2>"
        "<table class='overview'><thead><tr>"
        f"<th>No.</th><th>Set-up</th><th>Bucket, print{', target' if targets else ''}</th>"
        f"<th>Bucket to print, dE00</th>{'<th>Target to print, dE00</th>' if targets else ''}"
        "<th>In tolerance</th><th>Verdict</th></tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table></section>"
    )


def _with_interval(row: Mapping, prefix: str) -> str:
    middle = known(row, prefix + "_dE00")
    if middle is None:
        return "-"
    return f"{number(middle)}<small class='interval'>{interval(row, prefix)}</small>"


def _verdict(row: Mapping, words: str) -> str:
    sign = drawing.verdict_sign(row["kind"])
    return f"<span class='verdict {row['kind']}'>{sign}{words}</span>"


def _card(row: Mapping, end: float) -> str:
    setup = "".join(
        f"<div><dt>{heading}</dt><dd>{escape(words)}</dd></div>"
        for heading, words in setup_words(row)
    )
    return (
        f"<article id='s{row['n']}'><header><h2><span>{row['n']}</span> "
        f"{escape(str(row['setup_id']))}</h2>{_verdict(row, headline(row))}</header>"
        f"<p class='why'>{escape(str(known(row, 'reason') or ''))}</p>"
        f"<p class='odds'>Chance: <b>{chance(known(row, 'p_in_tolerance'))}</b> "
        f"({in_tolerance(row)})</p>"
        f"<dl class='setup'>{setup}</dl>"
        f"<div class='look'><div class='colours'>{_swatches(row)}{_numbers(row)}</div>"
        f"<div class='views'>{_views(row)}</div></div>{_strip(row, end)}</article>"
    )


def _swatches(row: Mapping) -> str:
    tiles = []
    for name, colour in row["colours"].items():
        star = "*" if name in row["off_screen"] else ""
        tiles.append(
            f"<figure><div style='background:{colour.fill}'></div>"
            f"<figcaption>{name.capitalize()}{star}</figcaption></figure>"
        )
    note = "<p>* more vivid than a screen can show</p>" if row["off_screen"] else ""
    return f"<div class='swatches'><div class='tiles'>{''.join(tiles)}</div>{note}</div>"


def _numbers(row: Mapping) -> str:
    lines = []
    for name, colour in row["colours"].items():
        cells = ""
        for channel, value in zip("Lab", colour.lab, strict=True):
            sd = known(row, channel + "_sd") if name == "print" else None
            band = "" if sd is None else f"<small>&#177; {number(Z90 * sd)}</small>"
            cells += f"<td>{number(value)}{band}</td>"
        lines.append(f"<tr><th>{drawing.key(name)} {name.capitalize()}</th>{cells}</tr>")
    return (
        "<table class='numbers'><thead><tr><td></td><th>L*</th><th>a*</th><th>b*</th></tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table>"
    )


def _views(row: Mapping) -> str:
    colours = row["colours"]
    if "print" not in colours:
        return ""
    sd = tuple(float(known(row, channel + "_sd") or 0.0) for channel in "Lab")
    return drawing.colour_views(
        colours["print"], sd, colours.get("bucket"), colours.get("target"), row["outline"]
    )


def _strip(row: Mapping, end: float) -> str:
    lines = []
    for name, prefix in (("target", "target"), ("bucket", "shift")):
        cells = [known(row, prefix + suffix) for suffix in ("_dE00", "_lo", "_hi")]
        if None not in cells:
            lines.append((f"{name} to print", name, *(float(cell) for cell in cells)))
    if not lines:
        return ""
    drawn = drawing.difference_strip(lines, row["tolerance_dE00"], end)
    style = "differences aimed" if lines[0][1] == "target" else "differences"
    return f"<div class='{style}'>{drawn}</div>"


CAUTIONS = (
    "<footer><h2>Before the press runs</h2><ul>"
    "<li>A screen or an office printer is no proof of colour. The swatches are for comparing side "
    "by side; what counts is the Lab measured on the print.</li>"
    "<li>Thick films, second strokes and underbases take longer to cure through: check the cure of "
    "such prints, with a wash test too.</li>"
    "<li>Flash and cure heat can scorch, shrink or glaze cloth, and polyester and its blends can "
    "bleed dye into the ink: watch the temperature of the cloth itself.</li>"
    "<li>Children's wear has rules of its own on what an ink may contain: have ink, base and "
    "additives confirmed for it in writing.</li>"
    "<li>The ink maker's data sheet, local codes and licensed practice come before anything on "
    "this page.</li></ul></footer>"
)
