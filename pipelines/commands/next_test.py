"""``strikeoff next-test``: the test print that saves most over the open jobs."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path

from pipelines.commands._options import add_command, add_shop, whole
from pipelines.words.common import chance, number, of_others
from pipelines.workspace.folders import Workspace
from pipelines.workspace.progress import tell

ABOUT = """\
Of all open jobs, which one test print would save most? SETUPS holds a set-up with its target a
row, as for strikeoff predict. A test print of one job moves the prediction of all that share ink,
lot, garment, press or screen; what it is expected to save over all of them is told, itself paid
unless its own job needs it anyway. Lots of these jobs that were never printed, or once, are named
with the job to test them by.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "next-test",
        "which test print saves most over the open jobs",
        ABOUT,
        ["strikeoff next-test jobs.csv"],
    )
    add.add_argument("setups", metavar="SETUPS", type=Path, help="the open jobs")
    add.add_argument("--lines", metavar="N", default="6", help="told at most (default 6)")
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    lines = whole("--lines", args.lines)
    return next_test(args.setups, lines=lines, workspace=workspace, shop=args.shop)


def next_test(
    setups_csv: Path, *, lines: int, workspace: Workspace, shop: str | None = None
) -> int:
    """Rank the set-ups of a file as test prints and print the first ``lines``."""
    from pipelines.registry.opened import open_model
    from pipelines.tables.folder import read_setups
    from pipelines.tasks.next_test import ranking
    from pipelines.tasks.usual import usual_in
    from pipelines.words.plan import by_model
    from pipelines.words.verdict import HEADLINES, kind

    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    setups, warnings = read_setups(setups_csv, opened.known, opened.targets_beside(setups_csv))
    found = ranking(setups, opened, setups_csv.name, partial(usual_in, workspace, name))
    ranked, of_job = found.ranked, found.of_job
    tell(warnings + found.notes + opened.notes)
    settings = opened.catalogue.settings
    costs = settings.cost_test_print is not None and settings.cost_spoiled_print is not None
    unit = "" if costs else " test prints"
    head = "by itself" if of_job else "the job by itself"
    width = max(8, *ranked["setup_id"].str.len())
    print(
        f"{'test':<{width}}  chance now  {head:<23}  expected saving  "
        f"test prints of others{'  its job' if of_job else ''}"
    )
    for row in ranked.head(max(1, lines)).to_dict("records"):
        print(
            f"{row['setup_id']:<{width}}  {chance(row['p']):<10}  "
            f"{HEADLINES[kind(row)]:<23}  "
            f"{number(row['saving'], 0 if costs else 1) + unit:<15}  "
            + f"{of_others(row['spared']):<21}  {of_job.get(row['setup_id'], '')}".rstrip()
        )
    for line in (found.said, *found.also):
        print(line)
    print(by_model(opened.by))
    return 0
