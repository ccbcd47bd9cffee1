"""``strikeoff plan``: set-ups that land on a target on every garment of a job."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from learn.errors import Unusable
from learn.shop import UNDERBASE
from pipelines.commands._options import (
    BASE_INK,
    BASE_MESH,
    GARMENT,
    add_aim,
    add_command,
    add_figure,
    add_of_now,
    add_shop,
    by_option,
    lots_given,
    number,
    page_file,
    table_file,
    tolerance_given,
    whole,
)
from pipelines.tasks.finding import planned, reached_for
from pipelines.tasks.named import Named
from pipelines.tasks.of_today import searched
from pipelines.tasks.usual import usual_in
from pipelines.words.common import counted
from pipelines.workspace.files import files_named, refuse_outputs, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell
from pipelines.workspace.terminal import as_typed

if TYPE_CHECKING:
    import pandas as pd

    from learn.planning.plan import Plan
    from pipelines.words.verdict import Called

COLUMNS = {
    **dict.fromkeys(("press_id", "ink_id", "mesh_id", "strokes", "flash_count")),
    **dict.fromkeys([*UNDERBASE, "base_on"]),
    "p_all": "p_in_tolerance",
    **dict.fromkeys(("worst_dE00", "worst_garment", "worst_lo", "worst_hi")),
    **dict.fromkeys(("spread_dE00", "spread_lo", "spread_hi", "press_steps", "film_um")),
    **dict.fromkeys(("test_print", "expected_cost", "changes", "why", "unlike")),
    **dict.fromkeys(("verdict", "cause", "reason")),
}
ABOUT = """\
Looks through every ink, mesh, number of strokes and flashes and every base of the shop for set-ups
that land on the target on all the garments named, and tells the few worth considering: the chance
that every garment comes within tolerance, the garment that comes out worst, how far the garments
lie apart, the press work and the film. Without limits everything in the tables may be used. Each
ink is taken from the lot it was last printed from, and the press as it should print today, unless
--lot and --date tell otherwise.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "plan",
        "set-ups that land on a target on every garment",
        ABOUT,
        [
            "strikeoff plan --target 45,60,30 --garment tee-white --garment tee-black",
            "strikeoff plan --target '#aa3322' --garment tee-black --max-strokes 1 \\",
            "    --base-ink none --sheet job-17.html --job 17",
        ],
    )
    add_aim(add)
    limits = add.add_argument_group("limits", "each may be given several times")
    for names, what in (
        (("--ink",), "an ink in stock"),
        (("--mesh",), "a mesh in house"),
        ((BASE_INK, "--underbase"), "a base ink that may be used; none for no base at all"),
        ((BASE_MESH,), "a mesh for the base (default: as --mesh)"),
        (("--press",), "a press (default: the one mostly used)"),
    ):
        limits.add_argument(*names, metavar="ID", action="append", help=what)
    limits.add_argument("--base-on-all", action="store_true", help="never print without a base")
    limits.add_argument("--max-strokes", metavar="N", default="2", help="of the ink (default 2)")
    limits.add_argument("--max-flashes", metavar="N", default="1", help="between them (default 1)")
    limits.add_argument("--max-base-strokes", metavar="N", default="2", help="(default 2)")
    limits.add_argument("--max-film", metavar="UM", help="dry film of base and ink together")
    add_of_now(add)
    add.add_argument("--lines", metavar="N", default="6", help="set-ups told at most (default 6)")
    add.add_argument(
        "--out", metavar="FILE", type=table_file, help="the set-ups as a table, .csv or .xlsx"
    )
    add.add_argument("--sheet", metavar="FILE.html", type=page_file, help="press sheet of one line")
    add_figure(add, "colours of one line on each garment")
    add.add_argument(
        "--line", metavar="N", default="1", help="the line for sheet and figure (default 1)"
    )
    add.add_argument("--job", metavar="NAME", help="what the job is called")
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    limits = {
        "inks": _ids(args.ink),
        "meshes": _ids(args.mesh),
        "base_meshes": _ids(args.base_mesh),
        "presses": _ids(args.press),
        "underbases": _bases(args.base_ink),
        "bare": not args.base_on_all,
        "max_strokes": whole("--max-strokes", args.max_strokes),
        "max_flashes": whole("--max-flashes", args.max_flashes),
        "max_base_strokes": whole("--max-base-strokes", args.max_base_strokes),
        "max_film_um": None if args.max_film is None else number("--max-film", args.max_film),
        "lots": lots_given(args),
    }
    return plan(
        target=args.target,
        garments=args.garments,
        tolerance=tolerance_given(args.tolerance),
        limits=limits,
        day=args.date,
        lines=whole("--lines", args.lines),
        out=args.out,
        sheet=args.sheet,
        figure=args.figure,
        line=whole("--line", args.line),
        job=args.job,
        workspace=workspace,
        shop=args.shop,
    )


@together()
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
    figure: Path | None = None,
    line: int,
    job: str | None,
    workspace: Workspace,
    shop: str | None = None,
) -> int:
    """Plan one job, print the short list, and write the table and the press sheet if wanted."""
    from pipelines.measured.target import read_target
    from pipelines.pages.press_sheet import list_beside, write_sheet
    from pipelines.registry.opened import open_model
    from pipelines.tables.writing import write_table
    from pipelines.words.plan import by_model, plan_block

    chip = files_named(target)
    refuse_outputs(out, sheet, figure, inputs=chip)
    if sheet is not None:
        list_beside(sheet, out, figure, *chip)
    if lines < 1:
        raise UserError(f"--lines {lines}: give 1 or more.")
    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    aim = read_target(target, opened.targets, opened.catalogue.settings)
    tolerance = aim.tolerance_dE00 if tolerance is None else tolerance
    named = Named(opened.known)
    garments = named.several(GARMENT[0], garments, "substrate_id")
    limits |= named_limits(named, limits)
    of_now = searched(opened, day or "", limits.pop("lots"), limits["inks"])
    usual, by_preset = usual_of(workspace, name, garments, reached_for(opened, aim, limits["inks"]))
    try:
        found, by_ink, told = planned(
            opened, aim, garments, tolerance, limits, usual, of_now, lines
        )
    except Unusable as error:
        raise by_option(error) from None
    if (sheet or figure) and not 1 <= line <= len(found.lines):
        raise UserError(f"--line {line}: the plan has {counted(len(found.lines), 'line')}.")
    tell(named.said + aim.notes + by_preset + told + opened.notes)
    names = {i: words.get("ink_name") for i, words in opened.catalogue.words["inks"].items()}
    called = (opened.catalogue.called("presses"), opened.catalogue.called("substrates"))
    print(plan_block(found, names, by_ink, opened.catalogue.settings, *called))
    print(by_model(opened.by))
    if out is not None:
        write_table(out, _table(found, opened.catalogue.things()), "Plan")
        print(f"The set-ups are in {out}.")
    if sheet is not None:
        listed = write_sheet(sheet, found, line, opened, job or f"plan {sheet.stem}")
        print(f"The press sheet is {sheet}; measure into {listed}:")
        print(f"  strikeoff record MEASURED.csv --prints {as_typed(listed)}")
    if figure is not None:
        from pipelines.figures import answers

        answers.write_plan(figure, found, line, opened.catalogue.settings)
        print(f"The figure is {figure}.")
    return 0


def _ids(given: list[str] | None) -> tuple[str, ...] | None:
    return tuple(given) if given else None


def _bases(given: list[str] | None) -> tuple[str, ...] | None:
    if given and "none" in given:
        if len(given) > 1:
            raise UserError(f"{BASE_INK} none and a base contradict each other; give one of them.")
        return ()
    return _ids(given)


def usual_of(
    workspace: Workspace,
    shop: str,
    garments: list[str],
    inks: Sequence[str],
    base: str | None = None,
    base_mesh: str | None = None,
) -> tuple[dict[str, Any], list[str]]:
    """How the shop usually prints on these garments with any of these inks, over a ``base`` and
    through a mesh of it that are named; and a note on what presets say of it."""
    known = usual_in(workspace, shop)
    usual, by_preset = known.setup(garments, inks, base, base_mesh)
    return usual, known.faults + ([f"usual {by_preset}."] if by_preset else [])


def named_limits(named: Named, limits: dict[str, Any]) -> dict[str, Any]:
    """The limits that name inks, screens and presses, by identifier."""
    found: dict[str, Any] = {"lots": named.keyed("--lot", limits.get("lots") or {}, "ink_id")}
    for option, column, key in (
        ("--ink", "ink_id", "inks"),
        ("--mesh", "mesh_id", "meshes"),
        (BASE_MESH, "underbase_mesh_id", "base_meshes"),
        (BASE_INK, "underbase_ink_id", "underbases"),
        ("--press", "press_id", "presses"),
    ):
        if limits.get(key) is not None:
            found[key] = tuple(named.several(option, limits[key], column))
    return found


def _table(found: Plan, called: Called) -> pd.DataFrame:
    """The lines as text cells."""
    import pandas as pd

    from pipelines.words.reasons import PlanWords
    from pipelines.words.verdict import line_reason, test_print, unseen_words

    words = PlanWords(found, called["ink"], called["press"], called["garment"])
    cells = {"line": [str(i + 1) for i in range(len(found.lines))]}
    told = found.lines.to_dict("records")
    lines = found.lines.assign(
        test_print=[test_print(line) for line in told],
        changes=[words.changes(line) for line in told],
        why=[words.why(line) for line in told],
        unlike=[unseen_words(line["unseen"], called) for line in told],
        reason=[line_reason(line, found.tolerance, len(found.garments), called) for line in told],
    )
    for column, head in COLUMNS.items():
        values = lines[column]
        cells[head or column] = [_cell(v) for v in values]
    return pd.DataFrame(cells)


def _cell(value: object) -> str:
    import pandas as pd

    if isinstance(value, tuple):
        return " ".join(value)
    if value is None or pd.isna(value):
        return ""
    return f"{value:.4g}" if isinstance(value, float) else str(value)
