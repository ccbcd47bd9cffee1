"""``strikeoff predict``: colour, bands and the test-print verdict for set-ups not printed yet."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands._lists import refuse_several
from pipelines.commands._options import (
    TARGET_HELP,
    add_command,
    add_figure,
    add_setup,
    add_shop,
    add_what,
    ink_and_garment,
    page_file,
    setup_cells,
    setups_by_option,
    table_file,
)
from pipelines.tables.schema import JOB_COLUMNS, PREDICTION_COLUMNS
from pipelines.tasks.left_open import left_open
from pipelines.tasks.lots import carded_lots
from pipelines.tasks.mixes import unprinted_mixes
from pipelines.tasks.of_today import COLUMNS, OPTIONS, of_today
from pipelines.tasks.sisters import told_inks
from pipelines.tasks.tolerances import wide_of
from pipelines.tasks.usual import completed, usual_in
from pipelines.words.common import counted
from pipelines.workspace.files import files_named, refuse_outputs, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell
from pipelines.workspace.terminal import as_typed

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.registry.opened import Opened
    from pipelines.words.jobs import Line

ABOUT = """\
Give a file of set-ups, CSV or Excel (the columns of prints.csv without the measured colour, with
setup_id for print_id, and if wanted target - a colour as #aa3322 or 45,60,30, a name of targets.csv
or a file beside it with a measured chip - or target_L, target_a, target_b; and tolerance_dE00), or
one set-up by options.
Each set-up gets its colour with 90 % bands, its distance from bucket and target, and a verdict:
straight to production, a test print first, or change the set-up first. Without a target nothing
goes to production; it is told how predictable the print is and how far it lies from the bucket.
Set-ups of one job (column job) are its colours: the job goes when each of them goes, and all of
them together by their common errors; the page begins with a board of the jobs, the worst on top.
A set-up that names no day or no lot is of today and of the lot its ink was last printed from, and
it is told; --date none and --lot none ask for none in particular. --date goes with a file too, for
the set-ups without a day.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "predict",
        "colour, bands and verdict for set-ups",
        ABOUT,
        [
            "strikeoff predict jobs.csv --out answers.csv --page week.html --sheets sheets.html",
            'strikeoff predict "bright red" "black tee" --target 45.2,62,38',
            "strikeoff predict --ink red --garment tee-black --mesh 43-80 --strokes 2 \\",
            "    --flashes 1 --base-ink white --base-mesh 43-80 --target 45.2,62,38",
        ],
    )
    what = "a file of set-ups, or an ink and a garment by name or id"
    add_what(add, what, "SETUPS | INK GARMENT")
    help_text = "where the predictions go, as .csv or .xlsx"
    add.add_argument("--out", metavar="FILE", type=table_file, help=help_text)
    add.add_argument(
        "--page", metavar="FILE.html", type=page_file, help="a page to look at as well"
    )
    help_text = "press sheets of a file, one a job, and the list of prints to measure beside them"
    add.add_argument("--sheets", metavar="FILE.html", type=page_file, help=help_text)
    add_figure(add, "a*b* plane of each set-up")
    add.add_argument("--model", metavar="VERSION", help="predict by this version, as it did then")
    add_shop(add)
    one = add.add_argument_group(
        "one set-up by options",
        "Ink and garment are needed. Where mesh or strokes are left out, they, base, press and\n"
        "settings are what shop.toml calls usual, or what the shop mostly does, and it is told.\n"
        "So are mesh and strokes of a base that is named without them.",
    )
    add_setup(one)
    one.add_argument("--target", metavar="COLOUR", help=TARGET_HELP)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    setups, cells = _asked(args.what, setup_cells(args))
    common = {
        "page": args.page,
        "figure": args.figure,
        "workspace": workspace,
        "shop": args.shop,
        "version": args.model,
    }
    if setups is None:
        if not cells:
            raise UserError(
                'Give an ink and a garment, as strikeoff predict "bright red" "black tee", or a '
                "file of set-ups; see strikeoff predict --help."
            )
        if args.sheets is not None:
            raise UserError("--sheets is for a file of set-ups; give one.")
        return predict_one(cells, target=args.target, out=args.out, **common)
    day = cells.pop("printed_on", "")  # of those without one in the file
    if cells or args.target:
        raise UserError(
            "Give either a file of set-ups, with --date for those without one, or one set-up by "
            "options."
        )
    if args.out is None:
        raise UserError("Say where the predictions go, with --out FILE.csv (or .xlsx).")
    return predict_file(setups, out=args.out, day=day, sheets=args.sheets, **common)


def _asked(what: list[str], cells: dict[str, str]) -> tuple[Path | None, dict[str, str]]:
    """The file of set-ups that is named, or the set-up with the ink and garment that are."""
    if not what:
        return None, cells
    if Path(what[0]).exists() or (len(what) == 1 and not cells and _like_a_file(what[0])):
        if len(what) > 1:
            raise UserError(f"{what[0]} is a file; give it alone, or an ink and a garment.")
        return Path(what[0]), cells
    return None, cells | ink_and_garment("predict", what, cells, ", or a file of set-ups")


def _like_a_file(text: str) -> bool:
    """Whether it was meant as one where there is none."""
    return os.sep in text or Path(text).suffix.lower() in (".csv", ".xlsx", ".xls", ".txt", ".tsv")


@together()
def predict_file(
    setups_csv: Path,
    *,
    out: Path,
    day: str = "",
    page: Path | None = None,
    sheets: Path | None = None,
    figure: Path | None = None,
    workspace: Workspace,
    shop: str | None = None,
    version: str | None = None,
) -> int:
    """Predict every set-up of a file into a table and, if wanted, a page to look at; those without
    a date on ``day``, today where it is empty."""
    from pipelines.pages.press_sheet import list_beside
    from pipelines.registry.opened import open_model
    from pipelines.tables.folder import read_setups
    from pipelines.words.jobs import board
    from pipelines.words.jobs import summary as job_summary
    from pipelines.words.jobs import table as job_table
    from pipelines.words.left_open import many_left_open

    read = [setups_csv]

    def refuse() -> None:
        refuse_outputs(out, page, sheets, figure, inputs=read)
        if sheets is not None:
            list_beside(sheets, out, page, figure, *read)

    refuse()
    name = workspace.pick(shop)
    opened = open_model(workspace, name, version)
    asked, warnings = read_setups(setups_csv, opened.known, opened.targets_beside(setups_csv, read))
    refuse()  # now that the chips it names are known
    said = COLUMNS._replace(day=OPTIONS.day)
    setups, of_now = of_today(asked, opened, said, day=day)
    names = opened.catalogue.called("inks")
    known = carded_lots(opened.model, names, setups) + told_inks(opened.model, names, setups)
    known += unprinted_mixes(opened.model, names, setups)
    known += wide_of(setups, opened)
    tell(warnings + of_now + known + opened.notes)
    if figure is not None:
        from pipelines.figures.answers import refuse_count

        refuse_count(len(setups))
    predictions, jobs = opened.predict_jobs(setups)
    lines = board(jobs, predictions, opened.catalogue.describe(setups))
    named = setups["job_id"].notna().any()
    write_predictions(out, of_jobs(predictions, jobs) if named else predictions)
    print(summary(predictions))
    if len(lines) < len(setups):
        print(job_table(lines))
        print(job_summary(lines))
    usual = partial(usual_in, workspace, name)
    found = left_open(opened, usual, setups, predictions)
    unsaid = many_left_open(found, opened.catalogue.things())
    for line in unsaid:
        print(line)
    print(f"Predictions are in {out}, by model {opened.by}.")
    if page is not None:
        write_page(page, predictions, setups, opened, lines, " ".join(unsaid))
        print(f"The page is {page}.")
    if sheets is not None:
        from pipelines.pages.job_sheets import write_sheets

        # the lot that the verdict is of; a day nobody gave is left to whoever prints it
        printed = asked.assign(ink_lot=setups["ink_lot"])
        listed = write_sheets(sheets, lines, predictions, printed, opened)
        print(f"The press sheets are {sheets}; measure into {listed}:")
        print(f"  strikeoff record MEASURED.csv --prints {as_typed(listed)}")
    if figure is not None:
        write_figure(figure, predictions, setups, opened)
    return 0


@together()
def predict_one(
    cells: dict[str, str],
    *,
    target: str | None = None,
    out: Path | None = None,
    page: Path | None = None,
    figure: Path | None = None,
    workspace: Workspace,
    shop: str | None = None,
    version: str | None = None,
) -> int:
    """Predict the set-up given by ``cells`` (column -> text) and print a readable block."""
    from pipelines.registry.opened import open_model
    from pipelines.words.left_open import one_left_open
    from pipelines.words.prediction import summary_block, wrapped

    refuse_outputs(out, page, figure, inputs=files_named(target))
    name = workspace.pick(shop)
    opened = open_model(workspace, name, version)
    refuse_several("predict", cells, opened.known)
    rows, filled, faults = completed([cells], workspace, name)
    setups, assumed = setups_by_option(rows, target, opened)
    assumed += unprinted_mixes(opened.model, opened.catalogue.called("inks"), setups)
    tell(faults + assumed + opened.notes)
    predictions = opened.predict(setups)
    named = opened.catalogue.describe(setups)
    usual = opened.catalogue.settings.tolerance_dE00
    named["tolerance_dE00"] = named["tolerance_dE00"].fillna(usual)
    print(summary_block(predictions.iloc[0], named.iloc[0]))
    if filled is not None:
        print(wrapped("Filled in", filled))
    unsaid = ""
    for one in left_open(opened, partial(usual_in, workspace, name), setups, predictions):
        unsaid = one_left_open(one, opened.catalogue.things())
        print(wrapped("Left open" if one.card is None else "A card", unsaid))
    print(f"  Model     {opened.by}")
    if out is not None:
        write_predictions(out, predictions)
        print(f"The prediction is in {out}.")
    if page is not None:
        write_page(page, predictions, setups, opened, unsaid=unsaid)
        print(f"The page is {page}.")
    if figure is not None:
        write_figure(figure, predictions, setups, opened)
    return 0


def write_predictions(path: Path, predictions: pd.DataFrame) -> None:
    """The Predictions table, as CSV or .xlsx: four decimals, what is not known empty."""
    import pandas as pd

    from pipelines.tables.writing import write_table

    columns = [c for c in (*PREDICTION_COLUMNS, *JOB_COLUMNS) if c in predictions]
    table = {
        name: cells.map(lambda cell: "" if pd.isna(cell) else f"{cell:.4f}")
        if pd.api.types.is_numeric_dtype(cells)
        else cells.map(lambda cell: "" if pd.isna(cell) else str(cell))
        for name, cells in predictions[columns].items()
    }
    write_table(path, pd.DataFrame(table), "Predictions")


def of_jobs(predictions: pd.DataFrame, jobs: pd.DataFrame) -> pd.DataFrame:
    """Predictions with the verdict on the job of each (`JOB_COLUMNS`)."""
    import pandas as pd

    ids = predictions["setup_id"].tolist()
    held = [ids[i] if i >= 0 else None for i in jobs["held_by"]]
    cells = jobs[["job_id", "p_all", "verdict", "cause"]].assign(held_by=held).astype(object)
    cells.columns = pd.Index(JOB_COLUMNS)
    cells["job_p_in_tolerance"] = cells["job_p_in_tolerance"].astype(float)
    cells = cells.assign(at=jobs["rows"]).explode("at").set_index("at").sort_index()
    return pd.concat([predictions, cells], axis=1)


def write_page(
    path: Path,
    predictions: pd.DataFrame,
    setups: pd.DataFrame,
    opened: Opened,
    board: Sequence[Line] = (),
    unsaid: str = "",
) -> None:
    """The page of one run, with the names of inks and garments written out; ``board``: its jobs,
    ``unsaid``: what its set-ups leave open, in words."""
    from pipelines.pages.prediction import write_page as draw  # pulls in the colour tables

    path.parent.mkdir(parents=True, exist_ok=True)
    draw(
        path,
        predictions,
        opened.catalogue.describe(setups),
        shop_name=opened.catalogue.settings.name,
        model_version=opened.by,
        settings=opened.catalogue.settings,
        validation=opened.validation,
        board=board,
        unsaid=unsaid,
    )


def write_figure(
    path: Path, predictions: pd.DataFrame, setups: pd.DataFrame, opened: Opened
) -> None:
    """The a*b* planes of one run as a picture."""
    from pipelines.figures import answers

    answers.write_predictions(path, predictions, setups, opened.catalogue.settings)
    print(f"The figure is {path}.")


def summary(predictions: pd.DataFrame) -> str:
    """One line: how many go straight on, want a test print, have to change."""
    from pipelines.words.verdict import kind

    kinds = [kind(row) for row in predictions.to_dict("records")]
    aimless = f", {kinds.count('no_target')} predictable but without a target"
    return (
        f"{counted(len(kinds), 'set-up')}: {kinds.count('go')} straight to production, "
        f"{kinds.count('test')} with a test print first, {kinds.count('change')} to change first"
        f"{aimless if 'no_target' in kinds else ''}."
    )


def verdict_table(predictions: pd.DataFrame) -> str:
    """A line a set-up: verdict, chance of being in tolerance, shift from the bucket."""
    from pipelines.words.prediction import chance, difference, interval, known, number
    from pipelines.words.verdict import HEADLINES, kind

    width = max(6, *predictions["setup_id"].astype(str).str.len())
    lines = [f"{'set-up':<{width}}  {'verdict':<23}  {'in tolerance':<24}  bucket to print, dE00"]
    for row in predictions.to_dict("records"):
        off = difference(row, "shift")
        shift = "-" if off is None else f"{number(off)} ({interval(row, 'shift')})"
        aim = "prediction" if known(row, "target_dE00") is None else "target"
        odds = f"{chance(row['p_in_tolerance']):<9} of {aim}"
        words = HEADLINES[kind(row)]
        lines.append(f"{row['setup_id']:<{width}}  {words:<23}  {odds:<24}  {shift}")
    return "\n".join(lines)
