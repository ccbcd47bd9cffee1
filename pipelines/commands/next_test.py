"""``strikeoff next-test``: the test print that saves most over the open jobs."""

from __future__ import annotations

import argparse
from pathlib import Path

from pipelines.commands._options import add_command, add_shop, whole
from pipelines.words.common import chance, counted, number
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

MOST = 150  # jobs at once: every pair is looked at
ABOUT = """\
Of all open jobs, which one test print would save most? SETUPS holds a set-up with its target a
row, as for strikeoff predict. A test print of one job moves the prediction of all that share ink,
garment, press or screen; what it is expected to save over all of them is told, itself paid unless
its own job needs it anyway.
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
    from learn.planning.next_test import rank_tests, saves
    from learn.predict.causes import Verdict
    from pipelines.registry.opened import open_model
    from pipelines.tables.folder import read_setups
    from pipelines.words.plan import by_model
    from pipelines.words.verdict import HEADLINES, kind

    opened = open_model(workspace, workspace.pick(shop))
    setups, warnings = read_setups(setups_csv, opened.known, opened.targets)
    aimed = setups[["target_L", "target_a", "target_b"]].notna().all(axis=1)
    notes = list(warnings)
    if not aimed.any():
        raise UserError(f"{setups_csv.name}: no set-up has a target; fill in the column target.")
    if not aimed.all():
        notes.append(f"{counted(int((~aimed).sum()), 'set-up')} without a target left out.")
    jobs = setups[aimed].reset_index(drop=True)
    if len(jobs) > MOST:
        raise UserError(f"{setups_csv.name}: {len(jobs)} open jobs; give {MOST} at most at a time.")
    ranked = rank_tests(opened.model, jobs)
    tell(notes + opened.notes)
    settings = opened.catalogue.settings
    costs = settings.cost_test_print is not None and settings.cost_spoiled_print is not None
    unit = "" if costs else " test prints"
    width = max(8, *jobs["setup_id"].str.len())
    print(
        f"{'test':<{width}}  chance now  {'the job by itself':<23}  expected saving  "
        "test prints of others spared"
    )
    for row in ranked.head(max(1, lines)).to_dict("records"):
        print(
            f"{row['setup_id']:<{width}}  {chance(row['p']):<10}  "
            f"{HEADLINES[kind(row)]:<23}  "
            f"{number(row['saving'], 0 if costs else 1) + unit:<15}  {number(row['spared'])}"
        )
    best, needed = ranked.iloc[0], int((ranked["verdict"] == Verdict.TEST).sum())
    if saves(ranked, settings):
        print(
            f"Over {counted(len(jobs), 'open job')} test {best['setup_id']} first; record it, "
            "learn, take it out of the file, ask again."
        )
    elif needed:
        print(
            f"Jobs that want a test print of their own: {needed}. None is expected to spare "
            "another, so they stand in order of risk - the chance to miss times what a spoiled run "
            f"costs: test {best['setup_id']} first ({chance(1 - best['p'])} to miss)."
        )
    else:
        print("No test print is expected to pay for itself over these jobs; the riskiest is first.")
    print(by_model(opened.version))
    return 0
