"""The press sheet of one planned job: a page to print, and the list of patches to measure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from learn.colour.colorimetry import srgb_hex, viewing
from learn.normal import Z90
from learn.planning.plan import Plan
from learn.predict.causes import Verdict
from learn.predict.garments import on_garments
from learn.process import SETTINGS
from learn.shop import UNDERBASE
from pipelines.pages.sheet_style import STYLE
from pipelines.tables import csvfile
from pipelines.tables.schema import PRINTS
from pipelines.words.prediction import chance, number
from pipelines.words.reasons import named, strokes_words
from pipelines.words.verdict import headline, line_reason
from pipelines.workspace.files import write_text

if TYPE_CHECKING:
    from pipelines.registry.opened import Opened

READINGS = 3  # places measured on each print
# Dry film from which cure through the film is the first worry; common practice, no source.
THICK_UM = 60.0
BLEEDS = ("polyester", "blend", "nylon")


def write_sheet(path: Path, plan: Plan, line: int, opened: Opened, job: str) -> Path:
    """Write the sheet of line ``line`` (from 1) to ``path`` and the list beside it.

    Returns the path of the list: CSV, the columns of prints.csv without a colour.
    """
    row = plan.lines.iloc[line - 1].to_dict()
    prints = _prints(plan, row, job)
    write_text(path, _page(plan, row, line, prints, opened, job))
    listed = path.with_suffix(".csv")
    write_text(listed, csvfile.to_csv(prints))
    return listed


def _prints(plan: Plan, row: Mapping, job: str) -> pd.DataFrame:
    """One print a garment, as text cells in the columns of prints.csv."""
    based = np.array([[g in row["base_on"] for g in plan.garments]])
    rows = on_garments(pd.DataFrame([row]), plan.garments, based)
    return prints_to_measure(rows.assign(job_id=job), "-".join(job.split()))


def prints_to_measure(rows: pd.DataFrame, stem: str) -> pd.DataFrame:
    """The list that ``strikeoff record --prints`` takes: prints.csv without a colour, as text
    cells; prints are called ``stem`` and their number."""
    rows = rows.assign(readings=float(READINGS))
    columns = [c.name for c in PRINTS.columns if c.name != "print_id"]
    cells = {"print_id": [f"{stem}-{i + 1}" for i in range(len(rows))]}
    cells |= {c: [_cell(v) for v in rows.get(c, [None] * len(rows))] for c in columns}
    return pd.DataFrame(cells)


def _cell(value: object) -> str:
    if value is None or pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    return f"{value:g}" if isinstance(value, float | int) else str(value)


def _page(
    plan: Plan, row: Mapping, line: int, prints: pd.DataFrame, opened: Opened, job: str
) -> str:
    catalogue = opened.catalogue
    inks = {i: words.get("ink_name") for i, words in catalogue.words["inks"].items()}
    why = line_reason(row, plan.tolerance, len(plan.garments))
    L, a, b = plan.target
    head = [
        ("Target", f"L {L:.1f}&ensp;a {a:.1f}&ensp;b {b:.1f}"),
        ("Tolerance", f"{plan.tolerance:g} dE00 on every garment"),
        ("Chance", f"{chance(row['p_all'])} that all come within it"),
        ("Made", f"{date.today():%Y-%m-%d}, model {escape(opened.version)}, line {line}"),
    ]
    listed = "".join(f"<div><dt>{k}</dt><dd>{v}</dd></div>" for k, v in head)
    steps = "".join(f"<li>{escape(step)}</li>" for step in operations(row, plan.garments, inks))
    colours = plan.colours[plan.colours["line"] == line].to_dict("records")
    fibres = {g: catalogue.words["substrates"].get(g, {}).get("fibre") for g in plan.garments}
    warned = "".join(f"<li>{escape(text)}</li>" for text in cautions(row["film_um"], fibres))
    title = escape(f"Press sheet, {job}")
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{title}</title><style>{STYLE}</style></head><body><main>"
        f"<header><div><p>{escape(catalogue.settings.name)}</p><h1>{title}</h1></div>"
        f"<b class='verdict'>{headline(row)}</b></header><dl class='head'>{listed}</dl>"
        f"<div class='two'><section><h2>Set-up</h2>{_setup(row, inks)}</section>"
        f"<section><h2>Order of work</h2><ol>{steps}</ol></section></div>"
        f"<section><h2>Expected colour</h2>{_swatches(plan, colours, opened)}</section>"
        f"<section><h2>Accept, and measure</h2>{_accept(plan, row['verdict'], why)}"
        f"{_patches(prints, colours)}</section>"
        f"<footer><h2>Before the press runs</h2><ul>{warned}</ul></footer></main></body></html>\n"
    )


def _setup(row: Mapping, inks: Mapping[str, str]) -> str:
    facts = [("Press", row["press_id"]), ("Ink", named(row["ink_id"], inks))]
    facts += [("Lot", row.get("ink_lot")), ("Mesh", row["mesh_id"])]
    facts += [("Strokes", strokes_words(row["strokes"], row["flash_count"]))]
    if row["base_on"]:
        ink, mesh, strokes = (row[c] for c in UNDERBASE)
        strokes = strokes_words(1 if pd.isna(strokes) else strokes, 0)
        facts.append(("Base", f"{named(ink, inks)} through {mesh}, {strokes}"))
        facts.append(("Base on", ", ".join(row["base_on"])))
    else:
        facts.append(("Base", "none"))
    for setting in SETTINGS:
        value = row.get(setting.name)
        known = value is not None and not pd.isna(value)
        facts.append((setting.label.capitalize(), f"{value:g} {setting.unit}" if known else None))
    facts.append(("Dry film", f"about {row['film_um']:.0f} um, base and ink"))
    lines = "".join(
        f"<tr><th>{name}</th><td>{escape(str(value))}</td></tr>"
        if value is not None and not pd.isna(value)
        else f"<tr><th>{name}</th><td class='blank'></td></tr>"
        for name, value in facts
    )
    return f"<table class='setup'>{lines}</table>"


def operations(row: Mapping, garments: list[str], inks: Mapping[str, str]) -> list[str]:
    """The steps at the press in their order."""
    steps = []
    if row["base_on"]:
        ink, mesh, strokes = (row[c] for c in UNDERBASE)
        strokes = strokes_words(1 if pd.isna(strokes) else strokes, 0)
        where = "" if len(row["base_on"]) == len(garments) else f" on {', '.join(row['base_on'])}"
        steps.append(f"Base{where}: {named(ink, inks)} through {mesh}, {strokes}.")
        steps.append(
            "Flash the base as the ink maker's data sheet says, no longer; let it cool. Test it "
            "cool, with a swatch, not with a bare finger."
        )
    top = f"{named(row['ink_id'], inks)} through {row['mesh_id']}"
    strokes, flashes = int(row["strokes"]), int(row["flash_count"])
    if flashes:
        steps.append(f"Ink: {top}, 1 stroke.")
        for i in range(flashes):
            last = i == flashes - 1
            more = strokes - 1 - i if last else 1
            strokes_more = strokes_words(more, 0)
            steps.append(f"Flash; let it cool; test with a swatch; {strokes_more} more of the ink.")
    else:
        steps.append(f"Ink: {top}, {strokes_words(strokes, 0)}, no flash between.")
    if 0 < len(row["base_on"]) < len(garments):
        without = [g for g in garments if g not in row["base_on"]]
        steps.append(f"On {', '.join(without)}: no base, the ink straight on the cloth.")
    steps.append("Cure as the ink maker's data sheet says; let the print cool before measuring.")
    return steps


def _swatches(plan: Plan, colours: list[dict], opened: Opened) -> str:
    settings = opened.catalogue.settings
    view = viewing(settings.illuminant, settings.observer)
    aim = srgb_hex(plan.target, view)
    tiles = []
    for one in colours:
        lab = [one[c] for c in "Lab"]
        bands = "".join(
            f"<td>{number(one[c])} &#177; {number(Z90 * one[f'{c}_sd'])}</td>" for c in "Lab"
        )
        words = opened.catalogue.words["substrates"].get(one["substrate_id"], {})
        garment = ", ".join(
            escape(str(w)) for w in (words.get("colour_name"), words.get("fibre")) if w
        )
        tiles.append(
            f"<figure><div class='pair'><i style='background:{srgb_hex(lab, view)}'></i>"
            f"<i style='background:{aim}'></i></div><figcaption><b>"
            f"{escape(one['substrate_id'])}</b> {garment}<br>"
            f"{'with base' if one['based'] else 'no base'}; {number(one['dE00'])} dE00 from the "
            f"target, {chance(one['p'])}<table><tr><th>L</th><th>a</th><th>b</th></tr>"
            f"<tr>{bands}</tr></table></figcaption></figure>"
        )
    note = (
        "Left the print to expect, right the target; a screen or office printer is no proof. "
        "&#177; holds nine of ten prints."
    )
    return f"<div class='tiles'>{''.join(tiles)}</div><p class='note'>{note}</p>"


FIRST = {
    Verdict.GO: "Measure the first good print of each garment",
    Verdict.TEST: "Pull one test print on each garment, cure it, and measure it before the run",
    Verdict.CHANGE: "Do not start the run with this set-up. If it is printed all the same, pull "
    "one print on each garment, cure it, and measure it",
}


def _accept(plan: Plan, verdict: Verdict, why: str) -> str:
    return (
        f"<p>{escape(why)} {FIRST[verdict]}: {READINGS} places in the solid, away from "
        f"edges, on the shop's usual backing. Accept when the mean lies within "
        f"<b>{plan.tolerance:g} dE00</b> of the target. "
        "A colour outside the band of its garment is news to the model, also where it is within "
        "tolerance: check screen, ink and press, then record it.</p>"
    )


def _patches(prints: pd.DataFrame, colours: list[dict]) -> str:
    rows = "".join(
        f"<tr><td>{escape(one['print_id'])}</td><td>{escape(one['substrate_id'])}</td>"
        f"<td>{number(c['L'])}, {number(c['a'])}, {number(c['b'])}</td>"
        + "<td class='blank'></td>" * 5
        + "</tr>"
        for one, c in zip(prints.to_dict("records"), colours, strict=True)
    )
    return (
        "<table class='patches'><thead><tr><th>print_id</th><th>Garment</th><th>Expected</th>"
        "<th>L</th><th>a</th><th>b</th><th>dE00</th><th>Passed by</th></tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )


def cautions(film_um: float, fibres: Mapping[str, str | None]) -> list[str]:
    """What to mind on this job; what may hurt cloth or people first."""
    told = []
    if film_um >= THICK_UM:
        told.append(
            f"Thick film, about {film_um:.0f} um dry: it needs longer to cure through. Check the "
            "cure in the ink itself and with a wash test; a stretch test can pass over an "
            "under-cured base."
        )
    bleeding = [g for g, f in fibres.items() if f and any(b in f.lower() for b in BLEEDS)]
    if bleeding:
        told.append(
            f"{', '.join(bleeding)}: polyester dye migrates when hot, sometimes a day or two "
            "later. Use ink and base made for it, keep flash and cure as cool as their data "
            "sheets allow, and look again after 48 hours."
        )
    told += [
        "Flash and dryer burn skin and scorch cloth: guard and ventilate; never leave a flash "
        "over a still garment.",
        "Children's wear and prints next to the skin: have the finished print tested; nothing "
        "here judges what is in the ink.",
        "The ink maker's data sheets, local codes and licensed practice come before this sheet.",
    ]
    return told
