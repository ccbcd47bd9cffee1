"""``strikeoff demo``: the whole job on an invented shop, from tables to the page."""

from __future__ import annotations

import argparse
from pathlib import Path

from pipelines.commands import predict
from pipelines.commands._options import add_command
from pipelines.commands.import_tables import import_tables
from pipelines.commands.learn import learn
from pipelines.tasks import week
from pipelines.tasks.demo import SHOP, TABLES, WEEK, demo_folder, refuse_to_replace_a_real_shop
from pipelines.tasks.of_today import of_today
from pipelines.workspace.files import as_before_unless_done, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.progress import Progress

ABOUT = """\
Imports an invented shop as shop "demo", learns from its two years of prints, predicts next week's
jobs and writes a page to look at. Takes about two minutes.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands, "demo", "the whole job on an invented shop", ABOUT, ["strikeoff demo"]
    )
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:  # noqa: ARG001  as all are
    """Run it as it was parsed."""
    return demo(workspace=workspace)


def demo(*, workspace: Workspace) -> int:
    """Import the demo shop, learn, predict next week's jobs, write the page, say where it is."""
    from pipelines.registry.opened import open_model
    from pipelines.tables.folder import read_setups
    from pipelines.words.jobs import board, summary

    progress = Progress()
    source = demo_folder()
    refuse_to_replace_a_real_shop(workspace, source / TABLES)
    progress("reading the tables of the invented demo shop")
    database = workspace.database(SHOP)
    assert isinstance(database, Path)  # a shop on a server has been refused
    with as_before_unless_done(database):  # no shop without its model
        import_tables(source / TABLES, workspace=workspace, shop=SHOP)
        learn(workspace=workspace, shop=SHOP, progress=progress)

    progress("predicting next week's jobs")
    opened = open_model(workspace, SHOP)
    setups, _ = read_setups(source / WEEK, opened.known, opened.targets)
    setups, _ = of_today(setups, opened)
    predictions, jobs = opened.predict_jobs(setups)
    reports = workspace.reports(SHOP)
    page = reports / "next-week.html"
    lines = board(jobs, predictions, opened.catalogue.describe(setups))
    with together():
        predict.write_predictions(reports / "next-week.csv", predictions)
        predict.write_page(page, predictions, setups, opened, lines)
        if week.kept(workspace, SHOP) is None:  # the page shows them, and so may the next command
            week.keep(workspace, SHOP, source / WEEK)
    progress("finished")
    print()
    print(predict.verdict_table(predictions))
    print(predict.summary(predictions))
    print(summary(lines))
    print(f"Why, with swatches and bands: open {page.resolve()}")
    print(f"The same as a table: {(reports / 'next-week.csv').resolve()}")
    if (jobs_of_the_week := week.kept(workspace, SHOP)) is not None:
        print(f"The week's jobs: {jobs_of_the_week.resolve()}")
    return 0
