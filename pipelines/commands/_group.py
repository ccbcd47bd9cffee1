"""``--group``: what a command does for one shop, done for all shops of a group."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands._options import IN_WORKSPACE, n_workers
from pipelines.tables import group as tables
from pipelines.workspace.files import refuse_outputs
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import Progress, tell

if TYPE_CHECKING:
    from pipelines.tables.group import Group
    from pipelines.tasks.groups import Engine, Found

SOME_FAILED = 1  # exit code
Work = Callable[["Group", "Engine", Progress], "Found"]


def of_group(args: argparse.Namespace, workspace: Workspace, what: str, work: Work) -> int:
    """Do ``work`` for a group, tell it and draw it; 1 where not all of it could be done.

    ``what``: title of what is shown.
    """
    for option in ("shop", "details", "figure"):
        if getattr(args, option, None):
            raise UserError(f"--{option} is about one shop; leave it out with --group.")
    if args.cluster is not None and args.workers is not None:
        raise UserError("Give --workers N or --cluster ADDRESS, not both.")
    file = workspace.root / tables.FILE if args.group == IN_WORKSPACE else args.group
    refuse_outputs(args.page, inputs=[file])
    group = tables.read_group(file, workspace)
    tell(list(group.notes))
    found = work(group, _engine(args), Progress())
    return _told(found, what, args.page)


def refuse_without_group(args: argparse.Namespace, *options: str) -> None:
    """Raises UserError where an option of a group is given without one."""
    for option in options:
        if getattr(args, option) is not None:
            raise UserError(f"--{option} goes with --group; add that or leave it out.")


def _engine(args: argparse.Namespace) -> Engine:
    from learn.workers import usual_workers
    from pipelines.tasks.groups import Engine

    return Engine(n_workers(args.workers) or usual_workers(), args.cluster)


def _told(found: Found, what: str, page: Path | None) -> int:
    from pipelines.words.group import block

    plants, title = found.in_order(), f"{what}, {found.group.name}"
    asked = len(found.group.members)
    if plants or found.failed:
        for line in block(title, plants, found.failed, asked):
            print(line)
    if page is not None and plants:
        from pipelines.pages.group import write_group_page

        write_group_page(page, title, plants, found.failed, asked)
        print(f"The page is {page}.")
    if found.lost is not None:
        raise found.lost
    return SOME_FAILED if found.failed else 0
