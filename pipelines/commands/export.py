"""``strikeoff export``: the shop's tables as CSV again, with nothing lost."""

from __future__ import annotations

import argparse
from contextlib import suppress
from dataclasses import replace
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands._options import OTHER_FILES, add_command, add_shop
from pipelines.tables.schema import AIMS, DECISIONS, LAB, SHOP_TABLES, TARGETS, WAITS, Table
from pipelines.words.common import counted
from pipelines.workspace.files import folder_beside, refuse_outputs, write_text
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.tables.folder import Given

ABOUT = """\
Writes the tables as they were imported, with what was recorded and corrected since; prints that
are set aside are among them, and what was decided on prints. DIR may be a workbook: backup.xlsx, a
sheet a table.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "export",
        "the tables as CSV again",
        ABOUT,
        ["strikeoff export backup/", "strikeoff export backup.xlsx"],
    )
    add.add_argument("folder", metavar="DIR", type=Path, help="a new or empty folder, or a .xlsx")
    add_shop(add)
    add.add_argument("--force", action="store_true", help="overwrite the tables in that folder")
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    return export(args.folder, workspace=workspace, shop=args.shop, force=args.force)


def export(
    folder: Path, *, workspace: Workspace, shop: str | None = None, force: bool = False
) -> int:
    """Write every table as it was handed over, prints that were set aside among them."""
    from pipelines.ledger import store
    from pipelines.tables import csvfile
    from pipelines.tables.headers import sheet_title
    from pipelines.tables.settings import FILE
    from pipelines.tables.writing import is_excel, write_workbook

    state = store.read_state(workspace.database(workspace.pick(shop)))
    given = replace(state.given, decided=state.decided())
    if is_excel(folder):
        if folder.exists() and not force:
            raise UserError(f"{folder}: is there already; name a new one, or add --force.")
        refuse_outputs(folder)
        tables = {
            sheet_title(name): given.tables[name] for name in SHOP_TABLES if name in given.tables
        }
        tables |= {sheet_title(name): cells for name, cells in _beside(given).items()}
        write_workbook(folder, tables)
        _tell(given, folder)
        if given.shop_toml is not None:
            print(f"The settings of the shop ({FILE}) are not in it; export a folder for them.")
        return 0
    _refuse(folder, force)
    texts = {SHOP_TABLES[name].file: csvfile.for_people(cells)
             for name, cells in given.tables.items()}  # fmt: skip
    texts |= {f"{name}.csv": csvfile.for_people(cells) for name, cells in _beside(given).items()}
    if given.shop_toml is not None:
        texts[FILE] = given.shop_toml
    ours = (*SHOP_TABLES.values(), TARGETS, AIMS, DECISIONS)
    kinds: dict[str, Table | None] = {table.file: table for table in ours}
    kinds[FILE] = None
    emptied = {}
    for file, table in kinds.items():
        if file in texts or not (folder / file).exists():
            continue
        head, rows = _exported(folder / file, table)
        if rows:
            emptied[file] = old = _free(folder, f"{file}.old")
            texts |= {file: head, old: head + rows}
        elif not head:
            tell([f"{folder / file}: is not of this shop and stays as it was; an import of this "
                  "folder would read it."])  # fmt: skip
    with folder_beside(folder) as fresh:
        for name, text in texts.items():
            write_text(fresh / name, text)
    for file, old in emptied.items():
        tell([f"{folder / file}: was of an earlier export, and this shop has no such table: its "
              f"head alone is left, and what stood there is in {old}."])  # fmt: skip
    _tell(given, folder)
    return 0


def _refuse(folder: Path, force: bool) -> None:
    """Raises UserError for what is no folder to export to, or holds something already."""
    if folder.suffix.lower() in OTHER_FILES and not folder.exists():
        raise UserError(f"{folder}: name a folder to export to, or a workbook, .xlsx.")
    if folder.exists() and not folder.is_dir():
        raise UserError(f"{folder}: is a file; name a folder to export to.")
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise UserError(
            f"{folder}: the folder is not empty; name a new one, or add --force to overwrite "
            "the tables in it."
        )


def _exported(path: Path, table: Table | None) -> tuple[str, str]:
    """Head and rows of a table that an export has written; nothing of what is somebody's own, as
    settings are, and tables under other words than ours.

    With the rows of a table that the shop no longer has, what was decided and taken back since,
    say, would come back with the next import.
    """
    from pipelines.tables.spectra import SPECTRUM

    if table is None or not path.is_file():
        return "", ""
    with suppress(UnicodeDecodeError):
        head, end, rows = path.read_bytes().decode().partition("\n")
        colour = {*(column.name for column in LAB), *SPECTRUM} if table.colour else set()
        ours = colour.union(column.name for column in table.columns)
        if ours.issuperset(head.strip("\ufeff\r").split(",")):
            return head + end, rows
    return "", ""


def _free(folder: Path, name: str) -> str:
    """A name like ``name`` that no file there has."""
    others = (f"{name}{n}" for n in count(2))
    return next(one for one in chain([name], others) if not (folder / one).exists())


def _beside(given: Given) -> dict[str, pd.DataFrame]:
    """Other tables by name: targets, what prints were meant to be, what was decided on them."""
    tables = {TARGETS.name: given.targets, AIMS.name: given.aims, DECISIONS.name: given.decided}
    return {name: cells for name, cells in tables.items() if cells is not None}


def _tell(given: Given, folder: Path) -> None:
    prints = len(given.tables["prints"])
    print(f"Exported {counted(prints, 'print')} and the other tables to {folder}.")
    if given.set_aside:
        one = len(given.set_aside) == 1
        print(
            f"{len(given.set_aside)} of them {'is' if one else 'are'} set aside, and "
            f"{'stands' if one else 'stand'} there too."
        )
    if given.decided is not None:
        n = int((given.decided["stands"] == WAITS).sum())
        print(
            f"What was decided on prints is in the table {DECISIONS.name}"
            + (f", with {n} that {'waits' if n == 1 else 'wait'} for a decision" if n else "")
            + "; strikeoff import takes it in again."
        )
