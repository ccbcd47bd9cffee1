"""Set-ups that are asked about, by the options of a command or the fields of a page, checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from learn.shop import UNDERBASE, UNDERBASE_IDS
from pipelines.registry.opened import Opened
from pipelines.tables.elsewhere import where_listed
from pipelines.tables.folder import check_setups
from pipelines.tables.names import added_to, table_of, with_ids
from pipelines.tables.otherwise import written_otherwise
from pipelines.tables.presses import new_presses
from pipelines.tables.schema import SETUPS
from pipelines.tables.targets import Target
from pipelines.tasks.lots import carded_lots
from pipelines.tasks.of_today import Said, days_told, of_today
from pipelines.tasks.sisters import told_inks
from pipelines.tasks.tolerances import wide_tolerances
from pipelines.tasks.usual import SCREEN
from pipelines.workspace.problems import InputProblems, Kind, Problem

TARGET = ("target_L", "target_a", "target_b")


def checked(
    rows: list[dict[str, str]],
    aim: Target | None,
    opened: Opened,
    called: Mapping[str, str],
    *,
    else_called: str,
    left_out: tuple[str, str],
    unusual: tuple[str, str] | None = None,
) -> tuple[pd.DataFrame, list[str]]:
    """Set-ups (column -> text) checked, numbered where there are several; and what has to be told
    about them.

    ``called``: column -> what it is called where it was asked, ``else_called`` for any other;
    ``left_out``: what is said of one that is needed and missing, and what to do; ``unusual``: the
    same of a screen or strokes, where they would have been filled in if any were usual.

    Raises UserError for what is wrong, each thing once, by what it is ``called``.
    """
    rows, undated = days_told(rows, called.get("printed_on", else_called))
    needed = dict.fromkeys([c.name for c in SETUPS.columns if c.present] + UNDERBASE_IDS, "")
    cells, notes = ({}, []) if aim is None else (_aim_cells(aim), list(aim.notes))
    names = [str(i + 1) for i in range(len(rows))] if len(rows) > 1 else ["this set-up"]
    full = [
        {**needed, "setup_id": name, **cells, **row} for name, row in zip(names, rows, strict=True)
    ]

    def placed(problem: Problem) -> Problem:
        if problem.kind == Kind.CONTRADICTION and problem.column == UNDERBASE[0]:
            problem = _half_a_base(problem, rows, called)
        name = called.get(problem.column or "", else_called)
        there = replace(problem, file=name, row=None, column=None)
        if problem.kind == Kind.MISSING:
            what, do = (problem.column in SCREEN and unusual) or left_out
            return replace(there, what=what, do=do)
        table = table_of(problem.column or "")
        if not problem.meant and table and problem.do == added_to(table):
            return replace(there, do=where_listed(table))
        return there

    try:
        given = pd.DataFrame(full, index=range(2, len(full) + 2), dtype=object).fillna("")
        given, readings = with_ids(SETUPS, given, opened.known)
        setups = check_setups(given, opened.known, else_called)
    except InputProblems as error:
        found = error.problems
        if len(given) > 1:  # what is wrong in all alike is said of a column, which is none here
            found = _first_alone(given, opened, else_called) or found
        lacking = {p.column for p in found if p.kind == Kind.MISSING}
        if not lacking.isdisjoint(("ink_id", "substrate_id")):  # with both, the screen is filled in
            found = [p for p in found if p.kind != Kind.MISSING or p.column not in SCREEN]
        told = {str(one): one for one in map(placed, found)}
        raise InputProblems(list(told.values())) from None
    notes += [reading.on_command_line for reading in readings]
    notes += written_otherwise(given, called)
    notes += wide_tolerances(setups["tolerance_dE00"], opened.catalogue.settings)
    notes += [f"{called['press_id']}: {note}" for note in new_presses(setups, opened.known)]
    assumed = [one for _, setup in setups.iterrows() for one in _assumed(setup, called)]
    said = Said(called.get("printed_on", ""), called.get("ink_lot", ""))
    setups, of_now = of_today(setups, opened, said, undated=undated)
    notes += of_now
    inks = opened.catalogue.called("inks")
    notes += carded_lots(opened.model, inks, setups) + told_inks(opened.model, inks, setups)
    return setups, notes + list(dict.fromkeys(assumed))


def _half_a_base(
    problem: Problem, rows: list[dict[str, str]], called: Mapping[str, str]
) -> Problem:
    """A base of which the ink is left out, told of what was given of it."""
    given = [c for c in UNDERBASE if any(row.get(c, "").strip() for row in rows)]
    return replace(
        problem,
        column=given[0],
        what="says nothing without the ink of the base",
        do=f"give {called[str(problem.column)]} too, or leave {called[given[0]]} out",
    )


def _first_alone(given: pd.DataFrame, opened: Opened, else_called: str) -> list[Problem]:
    """What is wrong with the first set-up that is wrong by itself."""
    for at in range(len(given)):
        try:
            check_setups(given.iloc[[at]], opened.known, else_called)
        except InputProblems as error:
            return error.problems
    return []


def _assumed(setup: pd.Series, called: Mapping[str, str]) -> list[str]:
    """What was left open and is taken as the usual thing (`checks.assumed`)."""
    told = []
    if setup["strokes"] > 1 and pd.isna(setup["flash_count"]):
        told.append(
            f"{called['flash_count']} is not given; taken as no flash between strokes, though not "
            "surely: give it for a narrower band."
        )
    if setup["underbase_ink_id"] is not None and pd.isna(setup["underbase_mesh_id"]):
        told.append(
            f"{called['underbase_mesh_id']} is not given; taken as one of the meshes that bases go "
            "through here, though not surely: give it for a narrower band."
        )
    if setup["underbase_ink_id"] is not None and pd.isna(setup["underbase_strokes"]):
        told.append(
            f"{called['underbase_strokes']} is not given; taken as bases are mostly printed here, "
            "though not surely."
        )
    return told


def _aim_cells(aim: Target) -> dict[str, str]:
    """The cells that a target fills."""
    cells = dict(zip(TARGET, map(repr, aim.lab.tolist()), strict=True))
    if aim.tolerance_dE00 is not None:
        cells["tolerance_dE00"] = repr(aim.tolerance_dE00)
    return cells
