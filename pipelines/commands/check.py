"""``strikeoff check``: how far the model in charge can be trusted, on the shop's own history."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path

from learn.errors import Unusable
from pipelines.commands._group import of_group, refuse_without_group
from pipelines.commands._options import (
    add_command,
    add_figure,
    add_group,
    add_shop,
    add_workers,
    n_workers,
    page_file,
)
from pipelines.workspace.files import refuse_outputs, together
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import Progress

ABOUT = """\
Predicts the shop's own past prints once more, each time without its job, ink, garment, mesh or
press, or without the latest weeks, and says how far off the current model was and how far it can
be trusted: error against the scatter of press and instrument, whether the 90 % bands and the
chances hold, what more prints are worth, and which ink, garment, press or mesh limits accuracy
now. The learning curve learns anew four times, which takes a minute or two for 800 prints.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "check",
        "how far the predictions can be trusted",
        ABOUT,
        [
            "strikeoff check --page check.html",
            "strikeoff check --quick",
            "strikeoff check --group --page plants.html",
        ],
    )
    add.add_argument(
        "--page", metavar="FILE.html", type=page_file, help="draw it as a page as well"
    )
    add_figure(add, "chances and learning curve")
    add.add_argument("--quick", action="store_true", help="leave the learning curve out")
    add_workers(add)
    add_group(add, page=False)
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    if args.group is not None:
        from pipelines.tasks.groups import check_all

        return of_group(args, workspace, "Checked", partial(check_all, quick=args.quick))
    refuse_without_group(args, "cluster")
    return check(
        workspace=workspace,
        shop=args.shop,
        page=args.page,
        figure=args.figure,
        quick=args.quick,
        n_jobs=n_workers(args.workers),
    )


@together()
def check(
    *,
    workspace: Workspace,
    shop: str | None = None,
    page: Path | None = None,
    figure: Path | None = None,
    quick: bool = False,
    n_jobs: int | None = None,
    progress: Progress | None = None,
) -> int:
    """Print the validation of the current model and, if wanted, draw it as a page."""
    from learn.workers import usual_workers, workers
    from pipelines.ledger import store
    from pipelines.registry.opened import open_model
    from pipelines.registry.sealed import AGAIN
    from pipelines.tables.folder import to_shop

    refuse_outputs(page, figure)
    progress = progress or Progress()
    name = workspace.pick(shop)
    opened = open_model(workspace, name)
    data = to_shop(store.read(workspace.database(name)))
    if opened.since:
        raise UserError(
            f"The tables of shop {name} have changed since version {opened.version} learnt from "
            f"them; {AGAIN}, then check it."
        )
    progress(f"checking version {opened.version} of shop {name}")
    from learn.assessment.report import (
        checkup,  # takes seconds to import; the help must not wait for it
    )
    from pipelines.words.check import report

    opened.model.settings_ = opened.catalogue.settings  # the tolerance may be another by now
    try:
        with workers(n_jobs or usual_workers()):
            found = checkup(opened.model, data, with_curve=not quick, progress=progress)
    except Unusable as error:
        raise UserError(f"Shop {name}: {error}; measure more prints and learn again.") from error
    progress("done")
    for line in report(found, opened.catalogue.things()):
        print(line)
    if page is not None:
        from pipelines.pages.check import write_check_page

        write_check_page(page, found, opened.catalogue, opened.version)
        print(f"The page is {page}.")
    if figure is not None:
        from pipelines.figures import answers

        answers.write_check(figure, found, opened.catalogue.settings)
        print(f"The figure is {figure}.")
    return 0
