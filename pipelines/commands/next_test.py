"""``strikeoff next-test``: the test print that saves most over the open jobs."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands._options import add_command, add_shop, whole
from pipelines.tasks.lots import latest_taken, with_latest
from pipelines.words.common import chance, counted, number
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.registry.opened import Opened

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
    setups, warnings = read_setups(setups_csv, opened.known, opened.targets_beside(setups_csv))
    setups, lots = with_latest(setups, opened.catalogue.lots)
    aimed = setups[["target_L", "target_a", "target_b"]].notna().all(axis=1)
    notes = [*warnings, *latest_taken(lots)]
    if not aimed.any():
        raise UserError(f"{setups_csv.name}: no set-up has a target; fill in the column target.")
    if not aimed.all():
        notes.append(f"{counted(int((~aimed).sum()), 'set-up')} without a target left out.")
    jobs = setups[aimed].reset_index(drop=True)
    if len(jobs) > MOST:
        raise UserError(f"{setups_csv.name}: {len(jobs)} open jobs; give {MOST} at most at a time.")
    ranked = rank_tests(opened.model, jobs)
    of_job = _of_jobs(opened, setups)  # those without a target too: they hold a job up
    tell(notes + opened.notes)
    settings = opened.catalogue.settings
    costs = settings.cost_test_print is not None and settings.cost_spoiled_print is not None
    unit = "" if costs else " test prints"
    head = "by itself" if of_job else "the job by itself"
    width = max(8, *jobs["setup_id"].str.len())
    print(
        f"{'test':<{width}}  chance now  {head:<23}  expected saving  "
        f"test prints of others spared{'  its job' if of_job else ''}"
    )
    for row in ranked.head(max(1, lines)).to_dict("records"):
        print(
            f"{row['setup_id']:<{width}}  {chance(row['p']):<10}  "
            f"{HEADLINES[kind(row)]:<23}  "
            f"{number(row['saving'], 0 if costs else 1) + unit:<15}  "
            + f"{number(row['spared']):<28}  {of_job.get(row['setup_id'], '')}".rstrip()
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


def _of_jobs(opened: Opened, setups: pd.DataFrame) -> dict[str, str]:
    """What becomes of the job of each set-up, by its ``setup_id``; empty where every set-up is a
    job of its own: what goes by itself may belong to a job that does not."""
    from pipelines.words.prediction import known
    from pipelines.words.verdict import HEADLINES, kind

    _, jobs = opened.predict_jobs(setups)
    if len(jobs) == len(setups):
        return {}
    ids = setups["setup_id"].tolist()
    return {
        ids[i]: f"{known(job, 'job_id') or ids[i]}: {HEADLINES[kind(job)].lower()}"
        for job in jobs.to_dict("records")
        for i in job["rows"]
    }
