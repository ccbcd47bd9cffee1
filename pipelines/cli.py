"""The command line: one parser, one dispatch, one place where errors become sentences."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from pipelines import daily, planning
from pipelines.options import SETUP_OPTIONS
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from pipelines.workspace.folders import Workspace

# The commands themselves are imported when run: `--help` should not wait for numpy.

ABOUT = """\
Predicts how a garment screen print will look before it is printed: its colour with 90 % bands,
how far it moves from the ink in the bucket, and whether a test print is needed first. It learns
from the shop's own measured prints.
"""
STEPS = """\
The usual order:
  strikeoff import tables/                 check the shop's tables and take them in
  strikeoff learn                          learn from its print history
  strikeoff predict jobs.csv --out answers.csv --page answers.html
  strikeoff record measured.csv            take in what came off the press; learn again
Try it on an invented shop first:
  strikeoff demo

Things lie in a workspace: datasets/SHOP/ and models/SHOP/ under the current folder, or under
--workspace FOLDER, or under the folder named by STRIKEOFF_WORKSPACE. With one shop in the
workspace its name need not be typed.
"""
IMPORT = """\
TABLES_DIR holds inks.csv, substrates.csv, meshes.csv, drawdowns.csv, prints.csv and, if wanted,
shop.toml. Everything is checked before anything is changed. A print that cannot be right is set
aside with the reason and kept; a table that cannot be used refuses the whole import, with every
problem told by file, row and column. The tables imported before give way, and stay in the history;
prints recorded since stay in use.
"""
LEARN = """\
Fits the physics of film and ink to the print history, learns what is left over, checks itself on
jobs held back, and stores a new version under models/SHOP/. Earlier versions stay.

After a batch, what the model in charge forecast of it is scored and kept (strikeoff models shows
it). Then the batch is appended, in seconds; or all is learnt anew, if anything learnt from has
changed, if more than 10 % of the prints came since that was done last, or if the forecasts
contradict the hyper-parameters. The new version is put in charge unless it forecasts worse.
"""
PREDICT = """\
Give a file of set-ups (the columns of prints.csv without the measured colour, with setup_id for
print_id, and if wanted target_L, target_a, target_b and tolerance_dE00), or one set-up by options.
Each set-up gets its colour with 90 % bands, its distance from bucket and target, and a verdict:
straight to production, a test print first, or change the set-up first. Without a target the
verdict says whether the next print can be relied on to come close to the prediction.
"""
CHECK = """\
Predicts the shop's own past prints once more, each time without its job, ink, garment, mesh or
press, or without the latest weeks, and says how far off the current model was and how far it can
be trusted: error against the scatter of press and instrument, whether the 90 % bands and the
chances hold, what more prints are worth, and which ink, garment, press or mesh limits accuracy
now. The learning curve learns anew four times, which takes a minute or two for 800 prints.
"""
EXPORT = """\
Writes the tables as they were imported, with what was recorded and corrected since; prints that
are set aside are among them.
"""
DEMO = """\
Imports an invented shop as shop "demo", learns from its two years of prints, predicts next week's
jobs and writes a page to look at. Takes about two minutes.
"""
WORKSPACE = "the workspace (default: the current folder)"


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise UserError(f"{message}; see {self.prog} --help.")


def build_parser() -> argparse.ArgumentParser:
    """All commands and their options."""
    parser = _Parser(
        prog="strikeoff",
        description=ABOUT,
        epilog=STEPS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--workspace", metavar="FOLDER", help=WORKSPACE)
    parser.add_argument("--version", action="store_true", help="say which version this is")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)

    _command(commands, "demo", "the whole job on an invented shop", DEMO, ["strikeoff demo"])

    add = _command(
        commands,
        "import",
        "take in a shop's tables",
        IMPORT,
        ["strikeoff import tables/", "strikeoff import tables/ --shop north-street --strict"],
    )
    add.add_argument("tables_dir", metavar="TABLES_DIR", type=Path, help="folder of the tables")
    _shop(add, "what to call the shop (default: after the name in shop.toml)")
    add.add_argument(
        "--strict", action="store_true", help="refuse prints that cannot be right, not set aside"
    )

    add.add_argument(
        "--database",
        metavar="URL",
        help="keep the shop on a server, postgresql://user@host/name (default: a file)",
    )

    add = _command(
        commands,
        "learn",
        "learn from the print history",
        LEARN,
        ["strikeoff learn", "strikeoff learn --refit"],
    )
    add.add_argument("--refit", action="store_true", help="learn all anew, whatever has come in")
    _shop(add)

    add = _command(
        commands,
        "predict",
        "colour, bands and verdict for set-ups",
        PREDICT,
        [
            "strikeoff predict jobs.csv --out answers.csv --page answers.html",
            "strikeoff predict --ink red-032 --substrate tee-black --mesh 43-80 --strokes 2 \\",
            "    --flashes 1 --underbase-ink white --underbase-mesh 43-80 --target 45.2,62,38",
        ],
    )
    add.add_argument("setups", metavar="SETUPS.csv", nargs="?", type=Path, help="file of set-ups")
    add.add_argument("--out", metavar="FILE.csv", type=Path, help="where the predictions go")
    add.add_argument("--page", metavar="FILE.html", type=Path, help="a page to look at as well")
    add.add_argument("--model", metavar="VERSION", help="predict by this version, as it did then")
    _shop(add)
    one = add.add_argument_group(
        "one set-up by options",
        "--substrate, --ink, --mesh and --strokes are needed; what is left out is not known.",
    )
    for option, (column, help_text) in SETUP_OPTIONS.items():
        one.add_argument(option, dest=f"setup_{column}", metavar="VALUE", help=help_text)
    one.add_argument("--target", metavar="L,a,b", help="the colour the job asks for")

    add = _command(
        commands,
        "check",
        "how far the predictions can be trusted",
        CHECK,
        ["strikeoff check --page check.html", "strikeoff check --quick"],
    )
    add.add_argument("--page", metavar="FILE.html", type=Path, help="draw it as a page as well")
    add.add_argument("--quick", action="store_true", help="leave the learning curve out")
    _shop(add)

    add = _command(
        commands, "export", "the tables as CSV again", EXPORT, ["strikeoff export backup/"]
    )
    add.add_argument("folder", metavar="DIR", type=Path, help="a new or empty folder")
    _shop(add)
    add.add_argument("--force", action="store_true", help="overwrite the tables in that folder")

    daily.add_commands(commands, _command, _shop)
    planning.add_commands(commands, _command, _shop)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command: 0 when done, 2 for a user's mistake, 130 when interrupted."""
    try:
        parser = build_parser()
        args, unknown = parser.parse_known_args(argv)
        if unknown:
            command = " ".join(filter(None, ("strikeoff", args.command)))
            raise UserError(f"{command} does not know {' '.join(unknown)}; see {command} --help.")
        if args.version:
            print(f"strikeoff {_version()}")
            return 0
        if args.command is None:
            parser.print_help(sys.stderr)
            return 2
        return _dispatch(args)
    except UserError as error:
        print(f"strikeoff: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("strikeoff: interrupted; nothing half-done is left behind.", file=sys.stderr)
        return 130
    except BrokenPipeError:  # the reader of a pipe has left: nothing more to say to it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        why = error.strerror or str(error)
        print(f"strikeoff: {where}{why}; check the path and its rights.", file=sys.stderr)
        return 2
    except SystemExit as done:  # --help
        return int(done.code or 0)


def run() -> NoReturn:
    """The installed command."""
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(errors="replace")  # a name the terminal cannot show stops nothing
    sys.exit(main())


def _dispatch(args: argparse.Namespace) -> int:
    from pipelines.workspace.folders import Workspace

    workspace = Workspace.find(args.workspace)
    match args.command:
        case "demo":
            from pipelines.commands.demo import demo

            return demo(workspace=workspace)
        case "import":
            from pipelines.commands.import_tables import import_tables

            return import_tables(
                args.tables_dir,
                workspace=workspace,
                shop=args.shop,
                strict=args.strict,
                url=args.database,
            )
        case "learn":
            from pipelines.commands.learn import learn

            return learn(workspace=workspace, shop=args.shop, refit=args.refit)
        case "predict":
            return _predict(args, workspace)
        case "check":
            from pipelines.commands.check import check

            return check(workspace=workspace, shop=args.shop, page=args.page, quick=args.quick)
        case command if command in daily.NAMES:
            return daily.dispatch(args, workspace)
        case command if command in planning.NAMES:
            return planning.dispatch(args, workspace)
        case _:
            from pipelines.commands.export import export

            return export(args.folder, workspace=workspace, shop=args.shop, force=args.force)


def _predict(args: argparse.Namespace, workspace: Workspace) -> int:
    from pipelines.commands.predict import predict_file, predict_one

    prefix = "setup_"
    cells = {
        name.removeprefix(prefix): value
        for name, value in vars(args).items()
        if name.startswith(prefix) and value is not None
    }
    common = {"page": args.page, "workspace": workspace, "shop": args.shop, "version": args.model}
    if args.setups is None:
        if not cells:
            raise UserError(
                "Give a file of set-ups or one set-up by options; see strikeoff predict --help."
            )
        return predict_one(cells, target=args.target, out=args.out, **common)
    if cells or args.target:
        raise UserError("Give either a file of set-ups or one set-up by options, not both.")
    if args.out is None:
        raise UserError("Say where the predictions go, with --out FILE.csv.")
    return predict_file(args.setups, out=args.out, **common)


def _command(
    commands: argparse._SubParsersAction, name: str, short: str, text: str, examples: list[str]
) -> argparse.ArgumentParser:
    epilog = "Example:\n" + "\n".join(f"  {line}" for line in examples)
    parser = commands.add_parser(
        name,
        help=short,
        description=text,
        epilog=epilog,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    # Given before the command it must not be undone by its absence here.
    parser.add_argument("--workspace", metavar="FOLDER", help=WORKSPACE, default=argparse.SUPPRESS)
    return parser


def _shop(
    parser: argparse.ArgumentParser, help_text: str = "which shop, if there are several"
) -> None:
    parser.add_argument("--shop", metavar="NAME", help=help_text)


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("strikeoff")
    except PackageNotFoundError:
        return "(not installed)"


if __name__ == "__main__":
    run()
