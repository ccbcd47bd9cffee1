"""``strikeoff start``: empty tables to fill in, then the first prints, for a shop without any."""

from __future__ import annotations

import argparse
from pathlib import Path

from pipelines.commands._first_prints import first_prints
from pipelines.commands._options import (
    BASE_INK,
    BASE_MESH,
    GARMENT,
    add_command,
    add_garments,
    add_shop,
)
from pipelines.workspace.files import (
    refuse_outputs,
    refuse_unwritable,
    together,
    write_text,
)
from pipelines.workspace.folders import Workspace
from pipelines.workspace.placing import finish
from pipelines.workspace.problems import UserError
from pipelines.workspace.terminal import as_typed

BOOK = "shop.xlsx"
FIRST = {
    "--ink": "an ink to begin with (default: all)",
    "--mesh": "its screen (default: the one used most, else the first of the table)",
    BASE_INK: "the base (default: the first underbase ink)",
    BASE_MESH: "the screen of the base (default: as most bases, else as the inks)",
}
ABOUT = """\
Writes shop.xlsx into FOLDER: a sheet a table, headers in plain words with their units, an example
row that is never read, lists to choose from, and a first sheet that says what to do. With --csv
the tables are CSV files instead. Fill them in; strikeoff import FOLDER takes them in.
With --first-prints it writes what to print first into FOLDER, from the tables imported: each ink on
the lightest and the darkest garment, bare and over a base, or fewer where a model has learnt; as a
press sheet, no screen put up twice, and as the list that strikeoff record --prints takes.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "start",
        "empty tables to fill in",
        ABOUT,
        [
            "strikeoff start tables/",
            "strikeoff start tables/ --csv",
            "strikeoff start monday/ --first-prints",
        ],
    )
    add.add_argument("folder", metavar="FOLDER", type=Path, help="where the tables go")
    add.add_argument("--csv", action="store_true", help="a CSV file a table")
    add.add_argument("--force", action="store_true", help="overwrite what is there")
    add.add_argument("--first-prints", action="store_true", help="what to print first")
    first = add.add_argument_group("the first prints", "each as often as wanted")
    add_garments(first, "a garment to print on (default: lightest and darkest)", required=False)
    for option, help_text in FIRST.items():
        first.add_argument(option, metavar="ID", action="append", help=help_text)
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    asked = {option: getattr(args, option.strip("-").replace("-", "_")) for option in FIRST}
    asked[GARMENT[0]] = args.garments
    if args.first_prints:
        return first_prints(
            args.folder, asked, force=args.force, workspace=workspace, shop=args.shop
        )
    if any(asked.values()):
        raise UserError(f"{next(o for o, v in asked.items() if v)} goes with --first-prints.")
    return start(args.folder, as_csv=args.csv, force=args.force)


@together()
def start(folder: Path, *, as_csv: bool = False, force: bool = False) -> int:
    """Write the empty tables, and say what to do with them."""
    from pipelines.tables.blank import SHEETS, write_blank
    from pipelines.tables.schema import SHOP_TABLES

    if folder.exists() and not folder.is_dir():
        raise UserError(f"{folder}: is a file; name a folder for the tables.")
    refuse_unwritable(folder)
    finish(folder)
    files = {name: folder / SHOP_TABLES[name].file for name in SHEETS} if as_csv else {}
    wanted = list(files.values()) or [folder / BOOK]
    there = [file for file in wanted if file.exists()]
    if there and not force:
        raise UserError(f"{there[0]}: is there already; name another folder, or add --force.")
    folder.mkdir(parents=True, exist_ok=True)
    refuse_outputs(*wanted)
    if as_csv:
        for name, file in files.items():
            write_text(file, ",".join(SHEETS[name]) + "\n")
        print(f"The tables are in {folder}: a CSV file each, its header the names of the columns.")
        source = folder
    else:
        source = folder / BOOK
        write_blank(source)
        print(f"The workbook is {source}: a sheet a table; its first sheet says what to do.")
    print(f"Fill it in, then strikeoff import {as_typed(source)} --dry-run")
    return 0
