"""``strikeoff import``: a folder of tables into the shop's database."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands._options import add_command, add_shop
from pipelines.words.common import counted
from pipelines.workspace.folders import Workspace, checked_name, name_from
from pipelines.workspace.problems import Findings, Kind, UserError
from pipelines.workspace.progress import tell
from pipelines.workspace.terminal import as_typed

if TYPE_CHECKING:
    from pipelines.ledger.state import State
    from pipelines.tables.folder import Checked

SHOWN = 8  # prints by name
UNCHANGED = "Nothing was changed."
ABOUT = """\
TABLES is a workbook (.xlsx) with a sheet a table, or a folder that holds one and no other table,
as strikeoff start leaves it, or a folder with inks.csv, substrates.csv, meshes.csv, drawdowns.csv,
prints.csv (or .xlsx) and, if wanted, presses.csv, changes.csv, targets.csv, aims.csv and shop.toml
(which may stand beside a workbook, too). Headers may be the shop's own words ("Garment",
"Mesh (T/cm)"), under a title, with totals and notes below the table; how they were understood is
told, also where the tables are refused, and --dry-run tells it alone. Everything is checked before
anything is changed. A print that cannot be right is set aside with the reason and kept; a table
that cannot be used, or a whole column that fails for one reason, refuses the whole import, told by
file, row and column. The tables imported before give way, and stay in the history; prints recorded
since stay in use, and so do targets where no new list of them comes in.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "import",
        "take in a shop's tables",
        ABOUT,
        [
            "strikeoff import tables/",
            "strikeoff import shop.xlsx --dry-run",
            "strikeoff import tables/ --shop north-street --strict",
            "strikeoff import --shop north-street --database postgresql://jo@server/north",
        ],
    )
    add.add_argument(
        "tables_dir", metavar="TABLES", type=Path, nargs="?",
        help="folder of the tables, or one workbook; without it --database joins a shop on a "
        "server as it is there",
    )  # fmt: skip
    add_shop(add, "what to call the shop (default: after the name in shop.toml)")
    add.add_argument(
        "--strict", action="store_true", help="refuse prints that cannot be right, not set aside"
    )
    add.add_argument("--dry-run", action="store_true", help="say what would happen, change nothing")
    add.add_argument(
        "--database",
        metavar="URL",
        help="keep the shop, models too, on a server, postgresql://user@host/name (default: files)",
    )
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    if args.database is not None and not args.database.strip():
        raise UserError("--database is empty: give postgresql://user@host/name, or leave it out.")
    if args.tables_dir is None:
        return join(workspace, args.shop, args.database, dry_run=args.dry_run)
    return import_tables(
        args.tables_dir,
        workspace=workspace,
        shop=args.shop,
        strict=args.strict,
        url=args.database,
        dry_run=args.dry_run,
    )


def join(workspace: Workspace, shop: str | None, url: str | None, *, dry_run: bool) -> int:
    """Work on a shop that others keep on a server, as it is there."""
    if url is None:
        raise UserError(
            "Name the folder or workbook of the shop's tables; without one, --database URL joins a "
            "shop that is on a server."
        )
    from pipelines.ledger import store
    from pipelines.tables.folder import to_shop

    title = to_shop(store.read(url)).settings.name
    name = checked_name(shop) if shop else name_from(title)
    workspace.refuse_server(name, url)
    if not dry_run:
        workspace.use_server(name, url)
    print(
        f"{'Would join' if dry_run else 'Joined'} shop {title} as {name}: what is recorded here, "
        "others see at once, and the other way round."
    )
    return 0


def import_tables(
    tables_dir: Path,
    *,
    workspace: Workspace,
    shop: str | None = None,
    strict: bool = False,
    url: str | None = None,
    dry_run: bool = False,
) -> int:
    """Check every table, then let them take the place of the ones imported before.

    With ``dry_run`` it is only told how they are understood and what would come of them.
    """
    from pipelines.ledger import store
    from pipelines.tables.folder import read_folder
    from pipelines.tasks.importing import in_tables

    name = checked_name(shop) if shop else _shop_of(tables_dir, workspace)
    checked = read_folder(tables_dir, name=name, strict=strict)
    tell(checked.warnings)
    listing = f"strikeoff import {as_typed(tables_dir)} --strict"
    if url:
        workspace.refuse_server(name, url)
    source = url or workspace.database(name)
    before = _before(source)
    if url and before is not None and not workspace.on_server(name):
        _refuse_another(before, checked, url)
    missing = _missing(before, checked)
    if dry_run:
        would = in_tables(name, checked, listing, "Would import")
        print("\n".join([*would, *_dropped(missing, "would no longer be counted"), UNCHANGED]))
        return 0
    if isinstance(source, Path) and (kept := store.make_room(source)):
        tell([f"{source} was no shop's database or damaged; it is kept as {kept.name}."])
    batch = store.save(checked.given, source, file=str(tables_dir))
    if url:
        workspace.use_server(name, url)
    done = "Imported" if batch else "Nothing was changed, as just these were imported last:"
    how = f"no longer counted; strikeoff history --take-back {batch} undoes that"
    print("\n".join([*in_tables(name, checked, listing, done), *_dropped(missing, how)]))
    try:
        state = store.read_state(source)
    except UserError as error:  # a server that is gone by now
        tell([f"they are imported; prints recorded since cannot be counted: {error}"])
        return 0
    now, lapsed = state.given, before.lapsed if before else ()
    if gone := [one for one in state.lapsed if one not in lapsed]:
        print(
            f"What was decided on {counted(len(gone), 'print')} no longer holds, as these tables "
            f"say otherwise of {'it' if len(gone) == 1 else 'them'}: {_some(gone)}. What these "
            "tables say is in use; strikeoff doubts set-aside or correct decides anew."
        )
    recorded = len(now.tables["prints"]) - len(checked.given.tables["prints"])
    if recorded:
        print(f"{counted(recorded, 'print')} recorded since, and not in these tables, stay.")
    if len(now.tables["prints"]) == len(now.set_aside):
        print(
            "No usable print yet: predictions would rest on physics alone. Next: strikeoff start "
            "FOLDER --first-prints lists what to print and measure first."
        )
    return 0


def _before(source: Path | str) -> State | None:
    """How a shop stands; None where it is not there yet, or no shop's or damaged.

    Raises UserError when a server cannot be asked.
    """
    from pipelines.ledger import store
    from pipelines.ledger.state import NoImport, current

    try:
        return current(store.read_ledger(source))
    except NoImport:
        return None
    except UserError as error:
        if isinstance(source, str) and error.kind != Kind.DAMAGED:
            raise
        return None


def _refuse_another(before: State, checked: Checked, url: str) -> None:
    """Raises UserError when these tables are of another shop than the one on the server."""
    from pipelines.ledger.database import label
    from pipelines.tables.folder import to_shop

    there, here = to_shop(before.given).settings.name, checked.shop.settings.name
    if there.casefold() != here.casefold():
        raise UserError(
            f'{label(url)}: holds the shop "{there}", and these tables are of "{here}"; give '
            "another database or, where they are one shop, that name in shop.toml. To work on "
            "what is there, leave the tables out."
        )


def _missing(before: State | None, checked: Checked) -> list[str]:
    """The prints imported before, in use so far, that these tables do not hold."""
    if before is None:
        return []
    there = set(checked.given.tables["prints"]["print_id"].str.strip())
    return [one for one in before.imported if one not in there]


def _dropped(missing: list[str], how: str) -> list[str]:
    """What becomes of prints that new tables do not hold, as a line."""
    if not missing:
        return []
    what = counted(len(missing), "print in use is", "prints in use are")
    return [f"{what} not in these tables and {how}: {_some(missing)}."]


def _some(prints: list[str]) -> str:
    left = len(prints) - SHOWN
    return ", ".join(prints[:SHOWN]) + (f" and {left} more" if left > 0 else "")


def _shop_of(tables_dir: Path, workspace: Workspace) -> str:
    """The shop imported before under the name these tables give, else a folder name from it."""
    from pipelines.ledger import store
    from pipelines.tables.folder import to_shop
    from pipelines.tables.settings import FILE, read_settings

    text, folder = None, tables_dir if tables_dir.is_dir() else tables_dir.parent
    if (folder / FILE).is_file():
        text = (folder / FILE).read_text(encoding="utf-8-sig", errors="replace")
    # What is wrong in the file is told when all tables are read.
    title = read_settings(text, tables_dir.resolve().stem, Findings()).name
    for shop in workspace.shops():
        try:
            if to_shop(store.read(workspace.database(shop))).settings.name == title:
                return shop
        except UserError:
            continue
    return name_from(title)
