"""``strikeoff plan``: set-ups that land on a target on every garment of a job."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from learn.planning.candidates import Limits
from learn.planning.plan import Plan, usual_setup
from learn.planning.plan import plan as find
from learn.planning.shades import shades
from pipelines.ledger import store
from pipelines.measured.target import read_target
from pipelines.registry.opened import Opened, open_model
from pipelines.tables import csvfile
from pipelines.words.plan import by_model, plan_block
from pipelines.workspace.files import refuse_unwritable, write_text
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

# What errors call by its name in the code, and how it is given.
OPTIONS = {
    "max_base_strokes": "--max-base-strokes",
    "max_strokes": "--max-strokes",
    "max_flashes": "--max-flashes",
    "max_film_um": "--max-film",
    "bucket_kg": "--bucket",
    "smallest_g": "--smallest",
}
COLUMNS = {
    **dict.fromkeys(("press_id", "ink_id", "mesh_id", "strokes", "flash_count")),
    **dict.fromkeys(("underbase_ink_id", "underbase_mesh_id", "underbase_strokes", "base_on")),
    "p_all": "p_in_tolerance",
    **dict.fromkeys(("worst_dE00", "worst_garment", "worst_lo", "worst_hi")),
    **dict.fromkeys(("spread_dE00", "spread_lo", "spread_hi", "press_steps", "film_um")),
    **dict.fromkeys(("test_print", "expected_cost", "changes", "why", "unlike")),
}


def plan(
    *,
    target: str,
    garments: list[str],
    tolerance: float | None,
    limits: dict[str, Any],
    day: str | None,
    lines: int,
    out: Path | None,
    sheet: Path | None,
    line: int,
    job: str | None,
    workspace: Workspace,
    shop: str | None = None,
) -> int:
    """Plan one job, print the short list, and write the table and the press sheet if wanted."""
    refuse_outputs(out, sheet)
    if lines < 1:
        raise UserError(f"--lines {lines}: give 1 or more.")
    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    aim = read_target(target, opened.catalogue.settings)
    usual = usual_of(workspace, name, garments)
    limits |= {"fixed": {} if day is None else {"printed_on": _day(day)}}
    refuse_unknown(opened, garments, limits)
    try:
        found = find(
            opened.model,
            aim.lab,
            garments,
            tolerance=tolerance,
            limits=Limits(**limits),
            usual=usual,
            most=lines,
        )
        first = found.usual[[*usual_columns(found)]].to_dict()
        by_ink = shades(opened.model, aim.lab, first, found.garments, tolerance=found.tolerance)
    except ValueError as error:
        raise UserError(by_option(error)) from None
    if sheet is not None and not 1 <= line <= len(found.lines):
        raise UserError(f"--line {line}: the plan has {len(found.lines)} lines.")
    tell(aim.notes + opened.notes)
    names = {i: words.get("ink_name") for i, words in opened.catalogue.words["inks"].items()}
    print(plan_block(found, names, by_ink, opened.catalogue.settings))
    print(by_model(opened.version))
    if out is not None:
        write_text(out, csvfile.to_csv(_table(found)))
        print(f"The set-ups are in {out}.")
    if sheet is not None:
        from pipelines.pages.press_sheet import write_sheet

        listed = write_sheet(sheet, found, line, opened, job or f"plan {sheet.stem}")
        print(f"The press sheet is {sheet}; measure into {listed}:")
        print(f"  strikeoff record MEASURED.csv --prints {listed}")
    return 0


def by_option(error: ValueError) -> str:
    """The sentence of an error, speaking of options instead of names in the code."""
    text = f"{error}."
    for name, option in OPTIONS.items():
        text = text.replace(name, option)
    return text


def usual_columns(found: Plan) -> list[str]:
    """The set-up columns of a plan's usual line that do not name ink, lot or garment."""
    from learn.shop import SETUP_COLUMNS

    left_out = ("ink_id", "ink_lot", "substrate_id", "job_id")
    return [c for c in SETUP_COLUMNS if c in found.usual.index and c not in left_out]


def usual_of(workspace: Workspace, shop: str, garments: list[str]) -> dict[str, Any]:
    """What the shop mostly does on these garments, from its prints."""
    return usual_setup(store.load_shop(workspace.database(shop)).prints, garments)


def refuse_outputs(*paths: Path | None) -> None:
    """Refuse before the work is done what could not be written after it."""
    for path in filter(None, paths):
        if path.is_dir():
            raise UserError(f"{path}: is a folder; name a file to write.")
        if not path.parent.is_dir():
            raise UserError(f"{path}: there is no folder {path.parent}; make it first.")
        refuse_unwritable(path.parent)
    if len(set(filter(None, paths))) < len(list(filter(None, paths))):
        raise UserError("The table and the sheet cannot be the same file; name two.")


def refuse_unknown(opened: Opened, garments: list[str], limits: dict[str, Any]) -> None:
    """Raises UserError for an identifier no table has, with what may have been meant."""
    import difflib

    named = [("--substrate", "substrates", garments), ("--lot", "inks", limits.get("lots") or {})]
    for option, table, key in (
        ("--ink", "inks", "inks"),
        ("--mesh", "meshes", "meshes"),
        ("--base-mesh", "meshes", "base_meshes"),
        ("--underbase", "inks", "underbases"),
    ):
        named.append((option, table, limits.get(key) or ()))
    for option, table, ids in named:
        there = opened.known[table]
        for one in ids:
            if one not in there:
                close = difflib.get_close_matches(one, there, n=1)
                hint = f'is "{close[0]}" meant?' if close else f"correct it, or add it to {table}."
                raise UserError(f'{option} "{one}" is not in {table}.csv; {hint}')


def _day(text: str) -> pd.Timestamp:
    try:
        return pd.Timestamp(date.fromisoformat(text))
    except ValueError:
        raise UserError(f'--date "{text}" is not a date; write it as 2026-03-31.') from None


def _table(found: Plan) -> pd.DataFrame:
    """The lines as text cells."""
    cells = {"line": [str(i + 1) for i in range(len(found.lines))]}
    for column, called in COLUMNS.items():
        values = found.lines[column]
        cells[called or column] = [_cell(v) for v in values]
    return pd.DataFrame(cells)


def _cell(value: object) -> str:
    if isinstance(value, tuple):
        return " ".join(value)
    if value is None or pd.isna(value):
        return ""
    return f"{value:.4g}" if isinstance(value, float) else str(value)
