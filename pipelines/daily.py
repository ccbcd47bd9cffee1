"""Parsers of the everyday commands - status, record, doubts, history, models - and dispatch."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.options import SETUP_OPTIONS
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from pipelines.workspace.folders import Workspace

RECORD = """\
FILE is a table of measured prints (CSV or Excel, the columns of prints.csv), or an instrument's
export whose sample names are the print_id (or setup_id) of --prints SETUPS.csv, or a folder with
prints.csv and, for what is new, inks.csv, substrates.csv, meshes.csv or drawdowns.csv holding the
added rows alone. Readings of one print are averaged. Every print is held against the model in
charge before anything is learnt from it; a doubtful one is set aside with the reason. The same
file twice changes nothing.
"""
DOUBTS = """\
Lists the prints that are set aside: because they cannot be right, because their colour is far from
expected on arrival, or as gross errors by the learner. Decide on each of them: keep (or restore)
it, correct it, or set it aside for good. Nothing is deleted; strikeoff history tells it all.
"""
HISTORY = """\
Lists who brought in what and when; with a batch number, all that was decided on it. A batch can be
taken back whole, and put back.
"""
MODELS = """\
Lists the versions a shop has learnt, with how good each was on jobs held back, and which one is in
charge. --use goes back to another version; --compare puts two side by side.
"""
STATUS = """\
One screen: what the shop has, the last batch, doubts waiting, how good the model in charge is, what
has drifted (press, ink lot, mesh, blade or the whole shop: how much, since when, and what to do),
which inks, garments, presses and meshes are poorly known, and what to print or measure next.
"""
CONDITIONS = ("M0", "M1", "M2", "M3")
NAMES = ("status", "record", "doubts", "history", "models")
Add = Callable[..., argparse.ArgumentParser]


def add_commands(commands: argparse._SubParsersAction, command: Add, shop: Callable) -> None:
    """Add the parsers; ``command`` and ``shop`` make them as all others are made."""
    shop(command(commands, "status", "shop, model, drift and what to do next", STATUS,
                 ["strikeoff status"]))  # fmt: skip
    add = command(
        commands,
        "record",
        "take in a batch of measured prints",
        RECORD,
        [
            "strikeoff record monday.csv",
            "strikeoff record export.txt --prints jobs.csv --condition M1",
            "strikeoff record new-ink/ --dry-run",
        ],
    )
    add.add_argument("file", metavar="FILE", type=Path, help="what was measured, or a folder")
    add.add_argument("--prints", metavar="SETUPS.csv", type=Path, help="how the prints were made")
    add.add_argument("--condition", choices=CONDITIONS, help="measurement condition of the file")
    add.add_argument("--dry-run", action="store_true", help="say what would happen, change nothing")
    shop(add)

    add = command(
        commands,
        "doubts",
        "prints that are set aside, to decide on",
        DOUBTS,
        [
            "strikeoff doubts",
            "strikeoff doubts keep P00412 P00413",
            'strikeoff doubts set-aside P00414 --reason "smeared"',
            "strikeoff doubts correct P00415 --ink C07",
            "strikeoff doubts correct P00416 --lab 45.2,62,38",
        ],
    )
    add.add_argument(
        "verb",
        nargs="?",
        choices=("list", "keep", "restore", "set-aside", "correct"),
        default="list",
        help="what to do (default: list)",
    )
    add.add_argument("ids", metavar="PRINT_ID", nargs="*", help="which prints")
    add.add_argument("--reason", metavar="TEXT", default="", help="why; kept in the history")
    add.add_argument("--all", action="store_true", help="list those set aside by hand as well")
    fix = add.add_argument_group("correct", "the cells that were wrong, by their right values")
    for option, (column, help_text) in SETUP_OPTIONS.items():
        if column != "tolerance_dE00":
            fix.add_argument(option, dest=f"setup_{column}", metavar="VALUE", help=help_text)
    fix.add_argument("--job", dest="setup_job_id", metavar="VALUE", help="job")
    fix.add_argument("--lab", metavar="L,a,b", help="the measured colour")
    shop(add)

    add = command(
        commands,
        "history",
        "who brought in what, and taking it back",
        HISTORY,
        ["strikeoff history", "strikeoff history 4", "strikeoff history --take-back 4"],
    )
    add.add_argument("batch", metavar="BATCH", nargs="?", type=int, help="tell of this one only")
    which = add.add_mutually_exclusive_group()
    which.add_argument("--take-back", metavar="BATCH", type=int, help="take a batch out, whole")
    which.add_argument("--put-back", metavar="BATCH", type=int, help="bring it in again")
    add.add_argument("--reason", metavar="TEXT", default="", help="why; kept in the history")
    shop(add)

    add = command(
        commands,
        "models",
        "versions of the model, and which is in charge",
        MODELS,
        ["strikeoff models", "strikeoff models --use 0003", "strikeoff models --compare 0003 0004"],
    )
    which = add.add_mutually_exclusive_group()
    which.add_argument("--use", metavar="VERSION", help="put this version in charge")
    which.add_argument("--compare", metavar=("A", "B"), nargs=2, help="two versions side by side")
    shop(add)


def dispatch(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run one of `NAMES`."""
    at = {"workspace": workspace, "shop": args.shop}
    match args.command:
        case "status":
            from pipelines.commands.status import status

            return status(**at)
        case "record":
            from pipelines.commands.record import record

            return record(
                args.file,
                sheet=args.prints,
                condition=args.condition,
                dry_run=args.dry_run,
                **at,
            )
        case "doubts":
            return _doubts(args, at)
        case "history":
            from pipelines.commands.history import history, take_back

            if args.take_back is not None:
                return take_back(args.take_back, back=True, reason=args.reason, **at)
            if args.put_back is not None:
                return take_back(args.put_back, back=False, reason=args.reason, **at)
            return history(number=args.batch, **at)
        case _:
            from pipelines.commands.models import compare_models, list_models, use_model

            if args.use is not None:
                return use_model(args.use, **at)
            if args.compare is not None:
                return compare_models(*args.compare, **at)
            return list_models(**at)


def _doubts(args: argparse.Namespace, at: dict) -> int:
    from pipelines.commands.doubts import correct, decide, list_doubts

    cells = {
        name.removeprefix("setup_"): value
        for name, value in vars(args).items()
        if name.startswith("setup_") and value is not None
    }
    if args.verb != "correct" and (cells or args.lab):
        raise UserError("Cells are given with strikeoff doubts correct PRINT_ID alone.")
    if args.verb == "list":
        return list_doubts(everything=args.all, **at)
    if not args.ids:
        raise UserError(f"Name the print: strikeoff doubts {args.verb} PRINT_ID.")
    if args.verb == "correct":
        if len(args.ids) > 1:
            raise UserError("Correct one print at a time.")
        return correct(args.ids[0], cells, lab=args.lab, reason=args.reason, **at)
    verb = {"keep": "kept", "restore": "restored", "set-aside": "set aside"}[args.verb]
    return decide(verb, args.ids, reason=args.reason, **at)
