"""``strikeoff history``: who brought in what and when, and a batch taken back or put back."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from pipelines.commands._options import add_command, add_shop, batch_number
from pipelines.words.common import counted, minute
from pipelines.words.history import brought
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import printable

if TYPE_CHECKING:
    from pipelines.ledger.state import Batch, Ledger

TIMES = "Times are UTC."
ABOUT = """\
Lists who brought in what and when; with a batch number, all that was decided on it. A batch can be
taken back whole, and put back.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "history",
        "who brought in what, and taking it back",
        ABOUT,
        ["strikeoff history", "strikeoff history 4", "strikeoff history --take-back 4"],
    )
    add.add_argument(
        "batch", metavar="BATCH", nargs="?", type=batch_number, help="tell of this one only"
    )
    which = add.add_mutually_exclusive_group()
    which.add_argument(
        "--take-back", metavar="BATCH", type=batch_number, help="take a batch out, whole"
    )
    which.add_argument("--put-back", metavar="BATCH", type=batch_number, help="bring it in again")
    why = "why; kept in the history"
    add.add_argument("--reason", metavar="TEXT", type=printable, default="", help=why)
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    at = {"workspace": workspace, "shop": args.shop}
    if args.take_back is not None:
        return take_back(args.take_back, back=True, reason=args.reason, **at)
    if args.put_back is not None:
        return take_back(args.put_back, back=False, reason=args.reason, **at)
    return history(number=args.batch, **at)


def history(*, workspace: Workspace, shop: str | None = None, number: int | None = None) -> int:
    """List the batches; of one batch, everything that was decided on it and its prints."""
    from pipelines.ledger import store
    from pipelines.ledger.state import IMPORT
    from pipelines.tasks.deciding import batch_of

    ledger = store.read_ledger(workspace.database(workspace.pick(shop)))
    if number is not None:
        return _one(ledger, batch_of(ledger, number))
    states = ledger.states()
    imports = [b.id for b in ledger.batches if b.command == IMPORT and states[b.id]]
    head = ("batch", "when", "who", "command", "file", "brought", "state")
    rows = [head]
    for batch in ledger.batches:
        state = "in" if states[batch.id] else "taken back"
        if states[batch.id] and batch.command == IMPORT and batch.id != imports[-1]:
            state = f"superseded by {imports[-1]}"
        rows.append((str(batch.id), minute(batch.at), batch.who, batch.command, batch.file,
                     brought(batch.counts), state))  # fmt: skip
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        print(printable("  ".join(cells).rstrip()))
    on_prints = [d for d in ledger.decisions if d.print_id is not None and d.what != "doubted"]
    if on_prints:
        said = counted(len(on_prints), "decision")
        print(f"{said} on prints; strikeoff history BATCH tells those of a batch.")
    print(TIMES)
    return 0


def take_back(
    number: int, *, back: bool, workspace: Workspace, shop: str | None = None, reason: str = ""
) -> int:
    """Take a batch back whole (``back``), or put one back in. Nothing of it is deleted."""
    from pipelines.ledger import store
    from pipelines.registry.opened import counts_now
    from pipelines.tasks.deciding import batch_of, store_taken, taken_back

    name = workspace.pick(shop)
    source = workspace.database(name)
    done = store_taken(
        source,
        number,
        lambda ledger: taken_back(ledger, number, back=back, reason=reason),
        back=back,
    )
    state = "taken back" if back else "in"
    if done is None:
        print(f"Batch {number} is {state} already; nothing was changed.")
        return 0
    if back:
        print(f"Batch {number} is taken back; --put-back {number} brings it in again.")
    else:
        print(f"Batch {number} is in again.")
    prints = batch_of(store.read_ledger(source), number).sheets.get("prints")
    ids = [] if prints is None else prints.cells["print_id"].tolist()
    print(counts_now(workspace, name, ids, "leaving it out" if back else "it"))
    return 0


def _one(ledger: Ledger, batch: Batch) -> int:
    state = "in" if ledger.states()[batch.id] else "taken back"
    print(f"Batch {batch.id}, {state}: {batch.command} {batch.file} by {batch.who or 'unknown'}, "
          f"{minute(batch.at)}")  # fmt: skip
    print(f"  SHA-256    {batch.sha256}")
    for label, said in (("condition", batch.condition), ("backing", batch.backing)):
        if said:
            print(f"  {label:<10} {said}")
    for name, count in batch.counts.items():
        print(f"  {name:<14}{count:>6}")
    for decision in ledger.decisions:
        if decision.batch != batch.id:
            continue
        who = f"{minute(decision.at)} {decision.who}"
        what = f"{decision.print_id or f'batch {batch.id}'} {decision.what}"
        changes = [f"{c} {decision.old[c] or '(empty)'} -> {cell or '(empty)'}"
                   for c, cell in decision.new.items()]  # fmt: skip
        more = "; ".join(filter(None, [decision.reason, ", ".join(changes[:6])]))
        print(printable(f"  {who}  {what}{': ' if more else ''}{more}"))
    print(TIMES)
    return 0
