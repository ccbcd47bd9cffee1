"""Changes of presses on their way in: one said on the command line, or rows of a table."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from datetime import date

import pandas as pd

from pipelines.ledger.incoming import Incoming
from pipelines.ledger.state import Sheet
from pipelines.tables.cells import typed
from pipelines.tables.changes import DAY, check_changes
from pipelines.tables.dates import iso_day
from pipelines.tables.folder import Given, known_in
from pipelines.tables.names import with_ids
from pipelines.tables.presses import PRESS
from pipelines.tables.schema import CHANGES, PRESSES, PRINTS
from pipelines.workspace.problems import InputProblems, Problem, UserError

_OPTIONS = {PRESS: "--change", DAY: "--date", "what": "--what"}


def change_said(
    given: Given, press: str, what: str | None, day: str | None, note: str | None
) -> Incoming:
    """The change of one press, as the command line says it; ``day`` may be "today".

    Raises UserError where the press is not known, the day is missing or to come, or nothing says
    what was changed.
    """
    today = date.today()
    if not (day or "").strip():
        raise UserError("--change takes a day as well: --date 2026-03-31, or --date today.")
    if not (what or "").strip():
        raise UserError('--change takes what was changed as well: --what "new blade".')
    row = {
        PRESS: press,
        DAY: iso_day(day or "", _OPTIONS[DAY], today),
        "what": what,
        "note": note or "",
    }
    cells = pd.DataFrame([row], index=[2], dtype=object)
    known = known_in(given.tables)
    cells, readings = with_ids(CHANGES, cells, known)
    frame, faults = typed(CHANGES, cells, "", today)
    faults = [*faults, *check_changes(frame, known[PRESSES.name], "", today)]
    if faults:
        raise _on_command_line(faults[0])
    digest = hashlib.sha256(json.dumps(cells.iloc[0].to_dict()).encode()).hexdigest()
    return Incoming(
        f"change of {cells[PRESS].iloc[0]}",
        digest,
        {CHANGES.name: cells},
        {CHANGES.name: "--change"},
        said=[reading.on_command_line for reading in readings],
    )


def _on_command_line(problem: Problem) -> UserError:
    option = _OPTIONS.get(problem.column or "", "--change")
    return UserError(f"{option}: {problem.what}; {problem.advice}.", problem.kind)


def check_added_changes(given: Given, sheets: dict[str, Sheet], incoming: Incoming) -> None:
    """Raises InputProblems where added changes are of no press of the shop, or not made yet."""
    if CHANGES.name not in sheets:
        return
    file, today = incoming.files[CHANGES.name], date.today()
    frame, faults = typed(CHANGES, sheets[CHANGES.name].cells, file, today)
    added = {n: sheet.cells for n, sheet in sheets.items() if n == PRESSES.name}
    added |= {n: cells for n, cells in incoming.tables.items() if n == PRINTS.name}
    presses = known_in(together(given.tables, added, (PRESSES.name, PRINTS.name)))[PRESSES.name]
    faults += check_changes(frame, presses, file, today)
    if faults:
        raise InputProblems(faults)


def together(
    one: dict[str, pd.DataFrame], other: dict[str, pd.DataFrame], names: Iterable[str]
) -> dict[str, pd.DataFrame]:
    """The rows of both, of those tables that either has."""
    parts = {name: [of[name] for of in (one, other) if name in of] for name in names}
    return {n: pd.concat(found).fillna("").astype(object) for n, found in parts.items() if found}
