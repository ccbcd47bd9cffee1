"""Parsers of the planning commands - plan, mix, next-test, new-ink - and their dispatch."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from pipelines.workspace.folders import Workspace

PLAN = """\
Looks through every ink, mesh, number of strokes and flashes and every base of the shop for set-ups
that land on the target on all the garments named, and tells the few worth considering: the chance
that every garment comes within tolerance, the garment that comes out worst, how far the garments
lie apart, the press work and the film. Without limits everything in the tables may be used.
"""
MIX = """\
Finds mixes of two to four inks that print as the target over the mesh, base and garments given, in
percent by weight. With --have and --measured it tells instead what to add to a mix that has been
printed once; nothing can be taken out of a bucket, so only additions are sought.
"""
NAMES = ("plan", "mix", "next-test", "new-ink")
NEXT_TEST = """\
Of all open jobs, which one test print would save most? SETUPS.csv holds a set-up with its target a
row, as for strikeoff predict. A test print of one job moves the prediction of all that share ink,
garment, press or screen; what it is expected to save over all of them is told, itself paid unless
its own job needs it anyway.
"""
NEW_INK = """\
Which prints describe an ink that was never or seldom printed, in which order, and how many are
enough? Each is the one that leaves the shop's usual set-ups - with this ink - least unsure once
those above it are measured; it is said how sure they are then. Where a print comes out far from
what was expected, record it, learn, and ask again. --out writes the list of prints, which
strikeoff record MEASURED.csv --prints LIST takes when they have been measured.
"""
TARGET = "L,a,b, a screen colour #rrggbb, or a file with a measured chip"
Add = Callable[..., argparse.ArgumentParser]


def add_commands(commands: argparse._SubParsersAction, command: Add, shop: Callable) -> None:
    """Add the parsers; ``command`` and ``shop`` make them as all others are made."""
    add = command(
        commands,
        "plan",
        "set-ups that land on a target on every garment",
        PLAN,
        [
            "strikeoff plan --target 45,60,30 --substrate tee-white --substrate tee-black",
            "strikeoff plan --target '#aa3322' --substrate tee-black --max-strokes 1 \\",
            "    --underbase none --sheet job-17.html --job 17",
        ],
    )
    _aim(add)
    limits = add.add_argument_group("limits", "each may be given several times")
    for option, what in (
        ("--ink", "an ink in stock"),
        ("--mesh", "a mesh in house"),
        ("--base-mesh", "a mesh for the base (default: as --mesh)"),
        ("--underbase", "a base ink that may be used; none for no base at all"),
        ("--press", "a press (default: the one mostly used)"),
    ):
        limits.add_argument(option, metavar="ID", action="append", help=what)
    limits.add_argument("--base-on-all", action="store_true", help="never print without a base")
    limits.add_argument("--max-strokes", metavar="N", default="2", help="of the ink (default 2)")
    limits.add_argument("--max-flashes", metavar="N", default="1", help="between them (default 1)")
    limits.add_argument("--max-base-strokes", metavar="N", default="2", help="(default 2)")
    limits.add_argument("--max-film", metavar="UM", help="dry film of base and ink together")
    add.add_argument("--lot", metavar="INK=LOT", action="append", help="the batch that is open")
    add.add_argument("--date", metavar="DAY", help="day of printing, as 2026-03-31")
    add.add_argument("--lines", metavar="N", default="6", help="set-ups told at most (default 6)")
    add.add_argument("--out", metavar="FILE.csv", type=Path, help="the set-ups as a table to keep")
    add.add_argument("--sheet", metavar="FILE.html", type=Path, help="press sheet of one line")
    add.add_argument("--line", metavar="N", default="1", help="the line for the sheet (default 1)")
    add.add_argument("--job", metavar="NAME", help="what the job is called")
    shop(add)

    add = command(
        commands,
        "mix",
        "mixes of inks that print as a target",
        MIX,
        [
            "strikeoff mix --target 45,60,30 --substrate tee-white --mesh 43-80",
            "strikeoff mix --target 45,60,30 --substrate tee-white --mesh 43-80 --bucket 3 \\",
            "    --have red-032=70 --have white=30 --measured tee-white=47.1,55.0,28.2",
        ],
    )
    _aim(add)
    screen = add.add_argument_group("the screens", "the shop's usual ones where left out")
    for option, what in (
        ("--mesh", "mesh of the mix"),
        ("--strokes", "strokes of the mix"),
        ("--flashes", "flashes between them"),
        ("--underbase", "ink of the base; none for none"),
        ("--base-mesh", "mesh of the base"),
        ("--base-strokes", "strokes of the base"),
        ("--press", "press"),
    ):
        screen.add_argument(option, metavar="VALUE", help=what)
    mixing = add.add_argument_group("mixing")
    mixing.add_argument("--ink", metavar="ID", action="append", help="an ink that may be mixed")
    mixing.add_argument("--most-inks", metavar="N", default="4", help="2, 3 or 4 (default 4)")
    mixing.add_argument("--bucket", metavar="KG", default="1", help="what is mixed (default 1 kg)")
    mixing.add_argument("--smallest", metavar="G", default="1", help="least that can be weighed")
    mixing.add_argument("--density", metavar="INK=G/ML", action="append", help="1 where not given")
    mixing.add_argument("--price", metavar="INK=PRICE", action="append", help="a kg")
    after = add.add_argument_group("after the first test print")
    after.add_argument("--have", metavar="INK=PERCENT", action="append", help="the mix as weighed")
    after.add_argument(
        "--measured", metavar="GARMENT=L,a,b", action="append", help="the test print"
    )
    shop(add)

    add = command(
        commands,
        "next-test",
        "which test print saves most over the open jobs",
        NEXT_TEST,
        ["strikeoff next-test jobs.csv"],
    )
    add.add_argument("setups", metavar="SETUPS.csv", type=Path, help="the open jobs")
    add.add_argument("--lines", metavar="N", default="6", help="told at most (default 6)")
    shop(add)

    add = command(
        commands,
        "new-ink",
        "the fewest prints that describe an ink",
        NEW_INK,
        [
            "strikeoff new-ink --ink red-032 --out red-032.csv",
            "strikeoff new-ink --ink red-032 --substrate tee-white --substrate tee-black",
        ],
    )
    add.add_argument("--ink", metavar="ID", required=True, help="the ink")
    for option, what in (
        ("--substrate", "a garment it may be pulled on (default: the usual ones)"),
        ("--mesh", "a mesh it may be pulled through (default: the usual ones)"),
    ):
        add.add_argument(option, metavar="ID", action="append", help=what)
    add.add_argument("--most", metavar="N", default="6", help="prints at most (default 6)")
    add.add_argument("--out", metavar="FILE.csv", type=Path, help="the list of prints to measure")
    shop(add)


def dispatch(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run the planning command that was parsed."""
    if args.command == "next-test":
        from pipelines.commands.next_test import next_test

        lines = whole("--lines", args.lines)
        return next_test(args.setups, lines=lines, workspace=workspace, shop=args.shop)
    if args.command == "new-ink":
        from pipelines.commands.new_ink import new_ink

        return new_ink(
            args.ink,
            garments=args.substrate,
            meshes=args.mesh,
            most=whole("--most", args.most),
            out=args.out,
            workspace=workspace,
            shop=args.shop,
        )
    aim = {
        "target": args.target,
        "garments": args.substrate,
        "tolerance": None if args.tolerance is None else number("--tolerance", args.tolerance),
        "workspace": workspace,
        "shop": args.shop,
    }
    if args.command == "plan":
        from pipelines.commands.plan import plan

        limits = {
            "inks": _ids(args.ink),
            "meshes": _ids(args.mesh),
            "base_meshes": _ids(args.base_mesh),
            "presses": _ids(args.press),
            "underbases": _bases(args.underbase),
            "bare": not args.base_on_all,
            "max_strokes": whole("--max-strokes", args.max_strokes),
            "max_flashes": whole("--max-flashes", args.max_flashes),
            "max_base_strokes": whole("--max-base-strokes", args.max_base_strokes),
            "max_film_um": None if args.max_film is None else number("--max-film", args.max_film),
            "lots": pairs("--lot", args.lot),
        }
        return plan(
            **aim,
            limits=limits,
            day=args.date,
            lines=whole("--lines", args.lines),
            out=args.out,
            sheet=args.sheet,
            line=whole("--line", args.line),
            job=args.job,
        )
    from pipelines.commands.mix import mix

    screen = {
        "mesh_id": args.mesh,
        "strokes": None if args.strokes is None else whole("--strokes", args.strokes),
        "flash_count": None if args.flashes is None else whole("--flashes", args.flashes),
        "underbase_ink_id": args.underbase,
        "underbase_mesh_id": args.base_mesh,
        "underbase_strokes": args.base_strokes and whole("--base-strokes", args.base_strokes),
        "press_id": args.press,
    }
    return mix(
        **aim,
        screen=screen,
        inks=args.ink,
        most_inks=whole("--most-inks", args.most_inks),
        weighing={
            "bucket_kg": number("--bucket", args.bucket),
            "smallest_g": number("--smallest", args.smallest),
            "density": _numbers("--density", args.density),
            "price": _numbers("--price", args.price),
        },
        have=_numbers("--have", args.have),
        measured=pairs("--measured", args.measured),
    )


def _aim(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--target", metavar="COLOUR", required=True, help=TARGET)
    parser.add_argument(
        "--substrate", metavar="ID", action="append", required=True, help="a garment of the job"
    )
    parser.add_argument("--tolerance", metavar="DE00", help="(default: the shop's)")


def number(option: str, text: str) -> float:
    """A number from the command line."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e9:
        raise UserError(f'{option} "{text}" is not a number; write one, with a point.')
    return value


def whole(option: str, text: str) -> int:
    """A whole number from the command line."""
    value = number(option, text)
    if value != int(value):
        raise UserError(f'{option} "{text}" is not a whole number.')
    return int(value)


def pairs(option: str, given: list[str] | None) -> dict[str, str]:
    """``NAME=VALUE`` as often as given."""
    found = {}
    for one in given or []:
        name, sign, value = one.partition("=")
        if not (name.strip() and sign and value.strip()):
            raise UserError(f'{option} "{one}": write it as NAME=VALUE.')
        found[name.strip()] = value.strip()
    return found


def _numbers(option: str, given: list[str] | None) -> dict[str, float]:
    return {name: number(f"{option} {name}", v) for name, v in pairs(option, given).items()}


def _ids(given: list[str] | None) -> tuple[str, ...] | None:
    return tuple(given) if given else None


def _bases(given: list[str] | None) -> tuple[str, ...] | None:
    if given and "none" in given:
        if len(given) > 1:
            raise UserError("--underbase none and a base contradict each other; give one of them.")
        return ()
    return _ids(given)
