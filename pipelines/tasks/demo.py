"""The invented shop that comes with the program: where it lies, and taken in beside no other."""

from __future__ import annotations

from pathlib import Path

from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import Findings, UserError

SHOP = "demo"
TABLES, WEEK = "tables", "next_week.csv"


def demo_folder() -> Path:
    """Where the demo shop lies: in the checkout, else in the installed package."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package.parent / "datasets" / "demo", package / "demo_shop"):
        if (folder / TABLES).is_dir() and (folder / WEEK).is_file():
            return folder
    raise UserError("The demo shop's tables are missing from this installation; install it again.")


def title_of_demo(tables: Path) -> str:
    """What the demo shop calls itself in its ``tables``."""
    from pipelines.tables.settings import FILE, read_settings

    text = (tables / FILE).read_text(encoding="utf-8")
    return read_settings(text, SHOP, Findings()).name


def is_demo(shop: str, title: str) -> bool:
    """Whether a shop, by its folder's name and what it calls itself, is the invented one."""
    try:
        return shop == SHOP and title == title_of_demo(demo_folder() / TABLES)
    except UserError:  # it does not lie here
        return False


def take_demo(workspace: Workspace) -> None:
    """Take the demo shop in, with its jobs of the week, where no shop is yet.

    Raises UserError where there is one.
    """
    from pipelines.ledger import store
    from pipelines.tables.folder import read_folder
    from pipelines.tasks import week

    if there := workspace.shops():
        raise UserError(f"There is a shop here already, {', '.join(there)}; use another folder.")
    source = demo_folder()
    checked = read_folder(source / TABLES, name=SHOP)
    store.save(checked.given, workspace.database(SHOP), file=f"{SHOP} {TABLES}")
    week.keep(workspace, SHOP, source / WEEK)


def refuse_to_replace_a_real_shop(workspace: Workspace, tables: Path) -> None:
    """Raises UserError where a shop of the demo's name is another one than that of ``tables``."""
    from pipelines.ledger import store
    from pipelines.tables.folder import to_shop

    if SHOP not in workspace.shops():
        return
    if not isinstance(workspace.database(SHOP), Path):
        raise UserError(
            f'The shop "{SHOP}" of this workspace lies on a server; run the demo in another folder '
            "with --workspace FOLDER."
        )
    try:
        there = to_shop(store.read(workspace.database(SHOP))).settings.name
    except UserError:
        return  # unreadable: nothing of use is lost
    if there != title_of_demo(tables):
        raise UserError(
            f'The workspace {workspace.root.absolute()} has a shop "{SHOP}" of its own, "{there}"; '
            "run the demo in another folder with --workspace FOLDER."
        )
