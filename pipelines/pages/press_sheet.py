"""The press sheet of one planned job: a page to print, and the list of patches to measure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from learn.colour.colorimetry import Viewing, srgb_hex, viewing
from learn.normal import Z90
from learn.planning.plan import Plan
from learn.predict.garments import on_garments
from learn.process import SETTINGS
from learn.shop import NEW_LOT, UNDERBASE
from pipelines.pages import render
from pipelines.tables import csvfile
from pipelines.tables.schema import PRINTS
from pipelines.words.common import Names, chance, named
from pipelines.words.prediction import known
from pipelines.words.reasons import ink_words, strokes_words
from pipelines.words.verdict import headline, kind, line_reason
from pipelines.workspace.files import refuse_outputs, write_text
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from pipelines.registry.opened import Opened

READINGS = 3  # places measured on each print
# Of the list of prints to measure.
LISTED = ("print_id", *(c.name for c in PRINTS.columns if c.name not in ("print_id", "mix")))
# Dry film from which cure through the film is the first worry; common practice, no source.
THICK_UM = 60.0
FLASH_BASE = (
    "Flash the base as the ink maker's data sheet says, no longer; let it cool. Test it "
    "cool, with a swatch, not with a bare finger."
)
CURE = "Cure as the ink maker's data sheet says; let the print cool before measuring."
BLEEDS = ("polyester", "blend", "nylon")


def list_beside(sheet: Path, *others: Path | None) -> Path:
    """Where the list of prints goes that comes with a press sheet.

    Raises UserError where it would take the place of one of ``others`` that are read or written,
    or of a file that is no such list, and as `refuse_outputs`.
    """
    listed = sheet.with_suffix(".csv")
    used = {path.resolve() for path in (sheet, *others) if path is not None}
    if listed.resolve() in used or (listed.is_file() and not _is_list(listed)):
        raise UserError(
            f"{listed}: the list of prints to measure would take its place, beside {sheet.name}; "
            "give the sheet another name."
        )
    refuse_outputs(listed)
    return listed


def _is_list(path: Path) -> bool:
    with path.open("rb") as file:
        return file.readline(2000).rstrip() == ",".join(LISTED).encode()


def write_sheet(path: Path, plan: Plan, line: int, opened: Opened, job: str) -> Path:
    """Write the sheet of line ``line`` (from 1) to ``path`` and the list beside it.

    Returns the path of the list: CSV, the columns of prints.csv without a colour.
    """
    page, prints = sheet_of(plan, line, opened, job)
    write_text(path, page)
    listed = path.with_suffix(".csv")
    write_text(listed, prints)
    return listed


def sheet_of(plan: Plan, line: int, opened: Opened, job: str) -> tuple[str, str]:
    """The sheet of line ``line`` (from 1) and the list as text."""
    row = plan.lines.iloc[line - 1].to_dict()
    prints = _prints(plan, row, job)
    page = render.text("press_sheet.html", **_shown(plan, row, line, prints, opened, job))
    return page, csvfile.for_people(prints)


def _prints(plan: Plan, row: Mapping, job: str) -> pd.DataFrame:
    """One print a garment, as text cells in the columns of prints.csv."""
    based = np.array([[g in row["base_on"] for g in plan.garments]])
    rows = on_garments(pd.DataFrame([row]), plan.garments, based)
    return prints_to_measure(rows.assign(job_id=job), "-".join(job.split()))


def prints_to_measure(rows: pd.DataFrame, stem: str) -> pd.DataFrame:
    """The list that ``strikeoff record --prints`` takes: prints.csv without a colour, as text
    cells; prints are called ``stem`` and their number."""
    rows = rows.assign(readings=float(READINGS))
    cells = {LISTED[0]: [f"{stem}-{i + 1}" for i in range(len(rows))]}
    cells |= {c: [_cell(v) for v in rows.get(c, [None] * len(rows))] for c in LISTED[1:]}
    # whoever opens a new lot knows what it is called
    cells["ink_lot"] = ["" if lot == NEW_LOT else lot for lot in cells["ink_lot"]]
    return pd.DataFrame(cells)


def _cell(value: object) -> str:
    if value is None or pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    return f"{value:g}" if isinstance(value, float | int) else str(value)


def _shown(
    plan: Plan, row: Mapping, line: int, prints: pd.DataFrame, opened: Opened, job: str
) -> dict:
    """What the template of the sheet is given."""
    catalogue = opened.catalogue
    inks = {i: words.get("ink_name") for i, words in catalogue.words["inks"].items()}
    garments = catalogue.called("substrates")
    called = {g: named(g, garments.get(g)) for g in plan.garments}
    words = catalogue.words["substrates"]
    fibres = {called[g]: words.get(g, {}).get("fibre") for g in plan.garments}
    colours = plan.colours[plan.colours["line"] == line].to_dict("records")
    view = viewing(catalogue.settings.illuminant, catalogue.settings.observer)
    L, a, b = plan.target
    return {
        "title": f"Press sheet, {job}",
        "shop_name": catalogue.settings.name,
        "kind": kind(row),
        "headline": headline(row),
        "why": line_reason(row, plan.tolerance, len(called), catalogue.things()),
        "head": [
            ("Target", f"L {L:.1f}  a {a:.1f}  b {b:.1f}"),
            ("Tolerance", f"{plan.tolerance:g} dE00 on every garment"),
            ("Chance", f"{chance(row['p_all'])} that all come within it"),
            ("Made", f"{date.today():%Y-%m-%d}, model {opened.by}, line {line}"),
        ],
        "setup": _setup(row, inks, catalogue.called("presses"), called),
        "steps": operations(row, called, inks),
        "aim": srgb_hex(plan.target, view),
        "garments": [
            _garment(one, print_id, called, fibres, view)
            for one, print_id in zip(colours, prints["print_id"], strict=True)
        ],
        "readings": READINGS,
        "tolerance": f"{plan.tolerance:g}",
        "cautions": cautions(row["film_um"], fibres),
    }


def _garment(
    one: Mapping, print_id: str, called: Mapping[str, str], fibres: Names, view: Viewing
) -> dict:
    """One garment of the job: its expected colour, and the print to measure."""
    garment = called[one["substrate_id"]]
    return {
        "garment": garment,
        "fibre": fibres.get(garment),
        "based": one["based"],
        "fill": srgb_hex([one[c] for c in "Lab"], view),
        "lab": [(one[c], Z90 * one[f"{c}_sd"]) for c in "Lab"],
        "dE00": one["dE00"],
        "p": one["p"],
        "print_id": print_id,
    }


def _setup(
    row: Mapping, inks: Names, presses: Names, called: Mapping[str, str]
) -> list[tuple[str, str | None]]:
    """The set-up as (name, words) pairs; None where there is a line to write it on. ``called``:
    what each garment is called."""
    press = row["press_id"]
    press = None if pd.isna(press) else named(press, presses.get(press))
    facts = [("Press", press), ("Ink", ink_words(row["ink_id"], inks))]
    facts += [("Lot", row.get("ink_lot")), ("Mesh", row["mesh_id"])]
    facts += [("Strokes", strokes_words(row["strokes"], row["flash_count"]))]
    if row["base_on"]:
        ink, mesh, strokes = (row[c] for c in UNDERBASE)
        strokes = strokes_words(1 if pd.isna(strokes) else strokes, 0)
        facts.append(("Base", f"{ink_words(ink, inks)} through {mesh}, {strokes}"))
        facts.append(("Base on", ", ".join(called[g] for g in row["base_on"])))
    else:
        facts.append(("Base", "none"))
    for setting in SETTINGS:
        value = known(row, setting.name)
        words = None if value is None else f"{value:g} {setting.unit}"
        facts.append((setting.label.capitalize(), words))
    facts.append(("Dry film", f"about {row['film_um']:.0f} um, base and ink"))
    return [(name, None if pd.isna(words) else str(words)) for name, words in facts]


def operations(row: Mapping, called: Mapping[str, str], inks: Names) -> list[str]:
    """The steps at the press in their order; ``called``: what each garment of the job is called."""
    steps = []
    if row["base_on"]:
        ink, mesh, strokes = (row[c] for c in UNDERBASE)
        strokes = strokes_words(1 if pd.isna(strokes) else strokes, 0)
        on = ", ".join(called[g] for g in row["base_on"])
        where = "" if len(row["base_on"]) == len(called) else f" on {on}"
        steps.append(f"Base{where}: {ink_words(ink, inks)} through {mesh}, {strokes}.")
        steps.append(FLASH_BASE)
    top = f"{ink_words(row['ink_id'], inks)} through {row['mesh_id']}"
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
    if 0 < len(row["base_on"]) < len(called):
        without = [words for g, words in called.items() if g not in row["base_on"]]
        steps.append(f"On {', '.join(without)}: no base, the ink straight on the cloth.")
    steps.append(CURE)
    return steps


def cautions(film_um: float, fibres: Names) -> list[str]:
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
