"""``strikeoff learn``: what came in as forecast, then learnt; the new version stored and judged."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path

from pipelines.commands._group import of_group, refuse_without_group
from pipelines.commands._options import (
    add_command,
    add_group,
    add_shop,
    add_workers,
    n_workers,
)
from pipelines.tasks.learning import LOCK, Sent, learn_shop
from pipelines.workspace.alone import alone
from pipelines.workspace.files import refuse_unwritable
from pipelines.workspace.folders import Workspace
from pipelines.workspace.progress import Progress

ABOUT = """\
Fits the physics of film and ink to the print history, learns what is left over, checks itself on
jobs held back, and stores a new version under models/SHOP/, or in the database of a shop on a
server. Earlier versions stay.

After a batch, what the model in charge forecast of it is scored and kept (strikeoff models shows
it). Then the batch is appended, in seconds; or all is learnt anew, if anything learnt from has
changed, if more than 10 % of the prints came since that was done last, or if recent prints
contradict how sure the model is. The new version is put in charge unless it forecasts clearly
worse, by how near it comes and whether its bands are right.

With --group all shops of group.toml are learnt, several at once; one that fails is told in the end
(exit code 1) and stops no other, and the same command again goes on with what is left. Then plants
tell each other what they know of inks they share, where group.toml lets them: each follows the
others as far as that brings its own inks nearer. Figures of inks travel, never a print. A plant
keeps what it was told when it learns anew by itself.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "learn",
        "learn from the print history",
        ABOUT,
        [
            "strikeoff learn",
            "strikeoff learn --refit",
            "strikeoff learn --group --page plants.html",
        ],
    )
    add.add_argument("--refit", action="store_true", help="learn all anew, whatever has come in")
    add.add_argument("--details", action="store_true", help="the scores and the search as well")
    add_workers(add)
    add_group(add)
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    if args.group is not None:
        from pipelines.tasks.groups import learn_all

        return of_group(args, workspace, "Learnt", partial(learn_all, refit=args.refit))
    refuse_without_group(args, "cluster", "page")
    return learn(
        workspace=workspace,
        shop=args.shop,
        refit=args.refit,
        details=args.details,
        n_jobs=n_workers(args.workers),
    )


def learn(
    *,
    workspace: Workspace,
    shop: str | None = None,
    refit: bool = False,
    details: bool = False,
    n_jobs: int | None = None,
    progress: Progress | None = None,
) -> int:
    """Score what came in as a forecast, learn it, and say which model is in charge and why.

    A second one on this computer waits for the first, and then learns what that has left. One on
    another computer does not: of the two versions the one stored first may be in charge.
    """
    from pipelines.ledger import store
    from pipelines.registry import versions
    from pipelines.registry.archive import archive_of

    say = progress or Progress()
    name = workspace.pick(shop)
    folder = workspace.models(name)
    refuse_unwritable(folder)  # before the long work, not after it
    waits = partial(say, "another strikeoff learn is at work here; waiting")
    with _nothing_left(folder), alone(folder / LOCK, waits):
        kept = archive_of(workspace, name)
        if waiting := versions.take_over_if_waiting(kept):
            print(f"Model {waiting} takes over now, as was judged when it was learnt.")
        stamp = versions.database_stamp(workspace.database(name))
        sent = Sent(name, store.read_state(workspace.database(name)), stamp)
        learn_shop(kept, sent, refit=refit, details=details, n_jobs=n_jobs, progress=say)
    return 0


@contextmanager
def _nothing_left(folder: Path) -> Iterator[None]:
    """Where the first model of a shop does not come about, no folder for models stays either."""
    try:
        yield
    except BaseException:
        if folder.is_dir() and [one.name for one in folder.iterdir()] == [LOCK]:
            (folder / LOCK).unlink(missing_ok=True)
            for empty in (folder, folder.parent):
                with suppress(OSError):
                    empty.rmdir()
        raise
