"""Readings that are typed or pasted on the page, as the files that a command would be given."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pandas as pd
from flask import url_for

from learn.shop import UNDERBASE
from pipelines.desk import slips
from pipelines.desk.opened import Now
from pipelines.desk.words import words
from pipelines.tables.cells import typed
from pipelines.tables.dates import TODAY, iso_day, last_day
from pipelines.tables.folder import check_added, known_in
from pipelines.tables.own_columns import pointed
from pipelines.tables.schema import PRINTS
from pipelines.tables.targets import numbers_of
from pipelines.tasks.named import Named
from pipelines.tasks.usual import Filled, said, with_strokes, without_none
from pipelines.words.prediction import known
from pipelines.workspace.problems import InputProblems, Kind, Problem

# Fields of the form -> columns of prints.csv.
FIELDS = {
    "ink": "ink_id",
    "garment": "substrate_id",
    "screen": "mesh_id",
    "strokes": "strokes",
    "flashes": "flash_count",
    "base": UNDERBASE[0],
    "base_screen": UNDERBASE[1],
    "base_strokes": UNDERBASE[2],
    "press": "press_id",
    "lot": "ink_lot",
    "squeegee": "squeegee_shore_a",
    "angle": "squeegee_angle_deg",
    "off_contact": "off_contact_mm",
    "stencil": "eom_um",
    "job": "job_id",
}
NOT_AS_USUAL = {"print", "day", *FIELDS} - {"ink", "garment"}  # fields that are folded away
SAME_READING = 0.005  # of L, a and b; two prints hardly ever agree so well in all three
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")


def lab_lines(text: str) -> list[tuple[str, ...]]:
    """L, a, b of each line; none where some line is something else, such as the row of a table.

    >>> lab_lines("45.2, 60, 30")
    [('45.2', '60', '30')]
    >>> lab_lines("45,2  60,1  -30")
    [('45.2', '60.1', '-30')]
    >>> lab_lines("print_id,L,a,b")
    []
    """
    found = []
    for line in text.splitlines():
        if not line.strip():
            continue
        parts = numbers_of(line)
        if len(parts) != 3 or not all(_NUMBER.fullmatch(part) for part in parts):
            return []
        found.append(tuple(parts))
    return found


def written(text: str, fields: dict[str, str], now: Now, folder: Path) -> tuple[Path, list[str]]:
    """The file of what was typed or pasted, and what was filled in and how names were read.

    ``fields``: what the form says of one print, by `FIELDS` and ``print``. A table is taken as it
    stands. Raises UserError for what is not understood.
    """
    readings = lab_lines(text)
    if not readings:
        lines = text.strip().splitlines()
        if len(lines) < 2:
            raise _of_readings(words().measured.no_reading)
        if lab_lines(lines[0]):  # no head of a table
            odd = next(line.strip() for line in lines if line.strip() and not lab_lines(line))
            raise _of_readings(words().measured.odd_reading.format(text=odd))
        path = folder / "pasted.csv"
        path.write_text(text.strip() + "\n", encoding="utf-8")
        return path, []
    called = columns_called()
    given = {FIELDS[f]: v.strip() for f, v in fields.items() if f in FIELDS and v.strip()}
    given = fields_read(given, called)
    for field in ("ink", "garment"):
        if FIELDS[field] not in given:
            what = called[FIELDS[field]]
            needed = words().measured.needed.format(what=what)
            raise slips.Slip(needed, Kind.MISSING, what)
    named = Named(known_in(now.given.tables))
    base = given.pop(UNDERBASE[0], None)
    bare = base is not None and base.casefold() == "none"
    if base is not None and not bare:
        given[UNDERBASE[0]] = base
    with slips.by_name(now):
        cells = named.cells(called, given) | ({UNDERBASE[0]: "none"} if bare else {})
    full, filled = _completed(cells, now)
    moment = datetime.now()
    with slips.of(words().measured.day):
        day = iso_day(fields.get("day", "").strip() or TODAY, words().measured.day)
    cells = {
        "print_id": fields.get("print", "").strip() or f"R{moment:%y%m%d-%H%M%S}",
        "printed_on": day,
        "strokes": "",
        "flash_count": "",
        **{column: text for column, text in full.items() if text != ""},
    }
    if cells.get("strokes") == "1" and "flash_count" not in given:
        cells["flash_count"] = "0"
    there = now.given.tables["prints"]
    if cells["print_id"] in set(there["print_id"].str.strip()):
        so = words().measured.called_so.format(text=cells["print_id"])
        raise slips.Slip(so, Kind.DUPLICATE, words().measured.print)
    _checked([{**cells, **dict(zip("Lab", lab, strict=True))} for lab in readings], called, now)
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow([*cells, "L", "a", "b"])
    table.writerows([[*cells.values(), *lab] for lab in readings])
    path = folder / "typed.csv"
    path.write_text(out.getvalue(), encoding="utf-8")
    how = said(filled)
    notes = named.said + ([words().measured.filled.format(what=how)] if how else [])
    return path, notes + _measured_so(cells, readings, there)


def _of_readings(said: str) -> slips.Slip:
    return slips.Slip(said, Kind.UNREADABLE, words().measured.readings_called)


def _completed(cells: dict[str, str], now: Now) -> tuple[dict[str, str], list[Filled]]:
    """A print's cells with what is left empty as usual, its base too where its screen and strokes
    are typed, and what was filled in."""
    strokes = ("strokes", "flash_count")
    usual, fills = now.usual.completed({c: v for c, v in cells.items() if c not in strokes})
    usual = with_strokes(usual, cells.get("strokes", usual.get("strokes")))
    left = [f._replace(columns=tuple(c for c in f.columns if c not in cells)) for f in fills]
    return usual | without_none(cells), [f for f in left if f.columns]


def _measured_so(
    cells: Mapping[str, str], readings: list[tuple[str, ...]], there: pd.DataFrame
) -> list[str]:
    """A note where a print of this ink and garment measured just so: it may be the same one."""
    lab = there.reindex(columns=list("Lab")).apply(pd.to_numeric, errors="coerce").to_numpy(float)
    mean = np.mean(np.array(readings, float), axis=0)
    same = (np.abs(lab - mean) < SAME_READING).all(axis=1)
    for column in ("ink_id", "substrate_id"):
        same &= (there[column].str.strip() == cells[column]).to_numpy()
    return [words().measured.once_more.format(print=one) for one in there["print_id"][same][-1:]]


def columns_called() -> dict[str, str]:
    """What the page calls the columns that its fields stand for."""
    told = words().measured
    return {column: getattr(told, name) for name, column in FIELDS.items()} | {
        "print_id": told.print,
        "printed_on": told.day,
    }


def fields_called() -> dict[str, str]:
    """What the page calls its fields -> their names in the form."""
    told, called = words().measured, columns_called()
    fields = FIELDS | {"print": "print_id", "day": "printed_on"}
    return {called[column]: name for name, column in fields.items()} | {
        told.readings_called: "readings",
        told.target: "target",
        told.tolerance: "tolerance",
    }


def address(row: Mapping[str, Any], target: str, tolerance: str, now: Now) -> str:
    """Where a print of a set-up is handed in, once it is measured; nothing of it as usual."""
    told = {field: cell_text(row, column) for field, column in FIELDS.items()}
    told |= {
        "ink": now.choices.inks[row["ink_id"]].text,
        "garment": now.choices.garments[row["substrate_id"]].text,
        "base": told["base"] or "none",
        "target": target,
        "tolerance": tolerance,
    }
    return f"{url_for('measured.show')}?{urlencode({n: text for n, text in told.items() if text})}"


def cell_text(row: Mapping[str, Any], column: str) -> str:
    """A cell of a set-up as it would be typed; empty where it is not known."""
    value = known(row, column)
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def fields_read(cells: Mapping[str, str], called: Mapping[str, str]) -> dict[str, str]:
    """Cells of one print as typed into fields, decimal commas as points; ``called``: column ->
    what the form calls it. Raises InputProblems for what is no number, or none that can be."""
    told = pointed(PRINTS, cells)
    _, faults = typed(PRINTS, pd.DataFrame([told], dtype=object), PRINTS.file, last_day())
    _raise(faults, called)
    return told


def _checked(rows: list[dict[str, str]], called: dict[str, str], now: Now) -> None:
    """Raises InputProblems for what cannot be right of one print, by what the form calls it."""
    frame = pd.DataFrame(rows, index=range(2, len(rows) + 2), dtype=object).fillna("")
    _, faults = check_added(now.given, frame.head(1))  # readings of one print differ in colour
    _, more = typed(PRINTS, frame[list("Lab")], PRINTS.file, last_day())
    _raise(faults + more, called)


def _raise(faults: list[Problem], called: Mapping[str, str]) -> None:
    told = words().measured
    found = [
        replace(one, file=called.get(one.column or "", told.readings_called), row=None, column=None)
        for one in faults
    ]
    if found:
        raise InputProblems(list({str(one): one for one in found}.values()), told.nothing_changed)
