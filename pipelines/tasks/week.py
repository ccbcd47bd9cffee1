"""The week's jobs: a file of set-ups that a shop keeps beside its store, and the one before it."""

from __future__ import annotations

import shutil
from pathlib import Path

from pipelines.workspace.alone import alone
from pipelines.workspace.files import beside, remove, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import Kind, UserError

SUFFIXES = (".csv", ".xlsx")
NOW, BEFORE = "week", "week-before"


def kept(workspace: Workspace, shop: str, which: str = NOW) -> Path | None:
    """The file of the week's jobs; None where the shop keeps none. Anybody may put one there."""
    folder = workspace.root / "datasets" / shop
    return next((p for s in SUFFIXES if (p := folder / f"{which}{s}").is_file()), None)


def keep(workspace: Workspace, shop: str, file: Path) -> None:
    """Let ``file``, read and found right, be the week's jobs; those before stay beside them."""
    folder = workspace.root / "datasets" / shop
    with alone(folder / ".week-lock", lambda: None), together():
        now, before = kept(workspace, shop), kept(workspace, shop, BEFORE)
        for old in filter(None, (now, before)):
            remove(old)
        if now is not None:
            _put(now, folder / f"{BEFORE}{now.suffix}")
        _put(file, folder / f"{NOW}{file.suffix.lower()}")


def put_back(workspace: Workspace, shop: str) -> None:
    """Let the jobs before be the week's again, and these be those before.

    Raises UserError where there are none.
    """
    folder = workspace.root / "datasets" / shop
    with alone(folder / ".week-lock", lambda: None), together():
        now, before = kept(workspace, shop), kept(workspace, shop, BEFORE)
        if before is None:
            raise UserError("There are no jobs of before to put back.", Kind.MISSING)
        for old in filter(None, (now, before)):
            remove(old)
        _put(before, folder / f"{NOW}{before.suffix}")
        if now is not None:
            _put(now, folder / f"{BEFORE}{now.suffix}")


def _put(source: Path, place: Path) -> None:
    with beside(place) as fresh:
        shutil.copyfile(source, fresh)
