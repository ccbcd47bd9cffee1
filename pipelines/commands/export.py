"""``strikeoff export``: the shop's tables as CSV again, with nothing lost."""

from __future__ import annotations

from pathlib import Path

from pipelines.ledger import store
from pipelines.tables import csvfile
from pipelines.tables.schema import SHOP_TABLES
from pipelines.tables.settings import FILE
from pipelines.workspace.files import write_text
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import counted


def export(
    folder: Path, *, workspace: Workspace, shop: str | None = None, force: bool = False
) -> int:
    """Write every table as it was handed over, prints that were set aside among them."""
    given = store.read(workspace.database(workspace.pick(shop)))
    if folder.exists() and not folder.is_dir():
        raise UserError(f"{folder}: is a file; name a folder to export to.")
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise UserError(
            f"{folder}: the folder is not empty; name a new one, or add --force to overwrite "
            "the tables in it."
        )
    for name, table in SHOP_TABLES.items():
        write_text(folder / table.file, csvfile.to_csv(given.tables[name]))
    if given.shop_toml is not None:
        write_text(folder / FILE, given.shop_toml)
    prints = len(given.tables["prints"])
    print(f"Exported {counted(prints, 'print')} and the other tables to {folder}.")
    if given.set_aside:
        print(
            f"{counted(len(given.set_aside), 'print')} of them are set aside, and stand there too."
        )
    return 0
