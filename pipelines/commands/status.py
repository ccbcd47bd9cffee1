"""``strikeoff status``: one screen on what the shop has and knows, and what to do next."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

from learn.errors import Unusable
from pipelines.commands._group import of_group, refuse_without_group
from pipelines.commands._options import add_command, add_group, add_shop, add_workers
from pipelines.tasks.lots import lots_in_use
from pipelines.tasks.sisters import told_in_short
from pipelines.words.common import counted, minute, number
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import Kind, UserError

if TYPE_CHECKING:
    import pandas as pd

    from learn.shop import Shop
    from pipelines.ledger.state import Batch, Ledger, State

WIDTH = 98
ABOUT = """\
One screen: what the shop has, the last batch, when each press was last changed, doubts waiting, how
good the model in charge is, what has drifted (press, ink lot, mesh, blade or the whole shop: how
much, since when, and what to do), which lots in use print otherwise than those before, which inks,
garments, presses and meshes are poorly known, and what to print or measure next.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "status",
        "shop, model, drift and what to do next",
        ABOUT,
        ["strikeoff status", "strikeoff status --group --page plants.html"],
    )
    add_workers(add)
    add_group(add)
    add_shop(add)
    add.set_defaults(run=run)


# Where the model in charge has no print to be held against.
LEARN = "  None of the prints in use has been learnt from: strikeoff learn takes them in."
BEGIN = (
    "  No print is in use yet, so predictions rest on the physics alone. strikeoff start FOLDER "
    "--first-prints lists what to print first; strikeoff record takes it in, measured."
)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    if args.group is not None:
        from pipelines.tasks.groups import look_at_all

        return of_group(args, workspace, "At a glance", look_at_all)
    refuse_without_group(args, "workers", "cluster", "page")
    return status(workspace=workspace, shop=args.shop)


def status(*, workspace: Workspace, shop: str | None = None) -> int:
    """Print it; nothing is changed."""
    from pipelines.ledger import store
    from pipelines.ledger.state import current
    from pipelines.registry import promotion, versions
    from pipelines.registry.archive import archive_of
    from pipelines.tables.folder import to_shop
    from pipelines.tasks.doubts import by_learner
    from pipelines.words.changes import change_lines

    name = workspace.pick(shop)
    ledger = store.read_ledger(workspace.database(name))
    if not ledger.batches:
        raise UserError(f"Shop {name} holds no tables; run strikeoff import first.")
    state = current(ledger)
    data = to_shop(state.given)
    lines = [*_tables(name, data), *_last_batch(ledger)]
    lines += [f"  {line}" for line in change_lines(data)]
    kept = archive_of(workspace, name)
    version, unknown = None, ""
    try:
        version = versions.in_charge(kept)
    except UserError as error:
        if error.kind != Kind.DAMAGED:
            raise
        unknown = str(error)
    charge = promotion.opened(kept, version, data)
    lines += _doubts(state, list(by_learner(kept, state).values()) if charge else [])
    if unknown:
        lines.append(unknown)
    elif version is None:
        lines.append("Model: none yet; strikeoff learn makes one, and then drift is seen.")
    elif charge is None:
        lines.append(
            f"Model {version} is in charge, but cannot be read by this version: strikeoff learn "
            "makes a new one; until then no print can be recorded."
        )
    else:
        from learn.monitoring.status import (
            glance,  # takes seconds to import; the help must not wait for it
        )
        from pipelines.registry.catalogue import Catalogue
        from pipelines.registry.opened import open_model
        from pipelines.tables.dates import last_day
        from pipelines.words.status import drift_lines, known_lines, news_line
        from pipelines.words.waiting import waiting_lines

        opened = open_model(workspace, name, given=state.given)
        lines += _model(version, versions.described(kept, version))
        if changed := opened.since.contrary:
            lines.append(
                f"  The tables have changed since it learnt ({changed}); run strikeoff learn."
            )
        lines += told_in_short(charge.model, data)
        try:
            found = glance(charge.model, data, last_day())
        except Unusable:
            lines.append(LEARN if len(data.prints) else BEGIN)
        else:
            lines += filter(None, [news_line(found.news)])
            called = Catalogue.of(data).things()
            lines += waiting_lines(opened.in_doubt, called)
            lines += drift_lines(found.drift, called)
            lines += lots_in_use(opened.counted, data)
            lines += known_lines(found, called)
    for line in lines:
        print(_wrapped(line))
    return 0


def _tables(name: str, data: Shop) -> Iterator[str]:
    import pandas as pd

    prints = data.prints
    inks = data.inks["ink_id"]
    garments = data.substrates.loc[data.substrates["kind"] == "garment", "substrate_id"]
    top = set(prints["ink_id"]) | set(prints["underbase_ink_id"].dropna())
    yield (
        f"Shop {name}: {counted(len(inks), 'ink')} ({_never(inks, top)}), "
        f"{counted(len(garments), 'garment')} ({_never(garments, set(prints['substrate_id']))}), "
        f"{counted(len(data.meshes), 'mesh', 'meshes')}, "
        f"{counted(len(data.drawdowns), 'drawdown')}."
    )
    dates = pd.to_datetime(prints["printed_on"]).dropna()
    span = f", {dates.min():%Y-%m-%d} to {dates.max():%Y-%m-%d}" if len(dates) else ""
    jobs = prints["job_id"].nunique() + int(prints["job_id"].isna().sum())
    yield f"  {counted(len(prints), 'print')} in use, of {counted(jobs, 'job')}{span}."


def _never(ids: pd.Series, printed: set[str]) -> str:
    n = int((~ids.isin(printed)).sum())
    return f"{n} never printed" if n else "all printed"


def _last_batch(ledger: Ledger) -> Iterator[str]:

    states = ledger.states()
    batch: Batch = ledger.batches[-1]
    back = "" if states[batch.id] else ", taken back"
    brought = counted(len(batch.sheets["prints"].cells) if "prints" in batch.sheets else 0, "print")
    yield (
        f"  Last batch: {batch.id}, {batch.command} of {batch.file or 'tables'} by "
        f"{batch.who or 'unknown'} on {minute(batch.at)} (UTC): {brought}{back}."
    )


def _doubts(state: State, learnt: list[str]) -> Iterator[str]:
    from pipelines.tasks.doubts import on_arrival

    arrived = on_arrival(state)
    if arrived or learnt:
        yield (
            f"  Doubts waiting: {arrived} set aside on arrival, {len(learnt)} by the learner; "
            "strikeoff doubts lists them."
        )


def _model(version: str, told: dict) -> Iterator[str]:
    facts, n = told["facts"]["validation"], told["facts"].get("rows", {}).get("prints")
    made = str(told.get("made", ""))[:10]
    learnt = counted(facts.get("n_prints") if n is None else n, "print")
    said = f"Model {version} in charge, learnt {made} from {learnt}"
    if facts.get("median_dE00") is None:
        yield f"{said}; too few to hold any back."
        return
    beside = [
        f"{label} {number(facts[key], 2)}"
        for label, key in (
            ("physics alone", "physics_median_dE00"),
            ("nearest past print", "nearest_median_dE00"),
        )
        if facts.get(key) is not None
    ]
    rivals = f" ({', '.join(beside)})" if beside else ""
    share = facts.get("coverage90")
    held = f"; {100 * share:.0f} % lay in the 90 % bands" if share is not None else ""
    last = told["facts"].get("learnt", {}).get("fitted")
    when = f" when {last} learnt all anew" if last else ""
    yield (
        f"{said}; of jobs held back{when}, half of the prints came within "
        f"{number(facts['median_dE00'], 2)} dE00 of the prediction{rivals}{held}."
    )


def _wrapped(line: str) -> str:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    line = line.replace(" %", "\xa0%")  # the sign stays with its number
    return textwrap.fill(
        line, WIDTH, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False
    ).replace("\xa0", " ")
