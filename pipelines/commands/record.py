"""``strikeoff record``: a batch of measured prints, or the change of a press, into the history."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.commands._options import add_command, add_shop, batch_number
from pipelines.tasks.lots import cards_recorded, news_recorded
from pipelines.tasks.waiting import in_doubt_now
from pipelines.words.common import counted
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    from pipelines.ledger.recording import Report
    from pipelines.ledger.replacing import Difference
    from pipelines.ledger.state import Addition, Ledger

CONDITIONS = ("M0", "M1", "M2", "M3")
SHOWN = 20
ONE = {
    "inks": "ink",
    "substrates": "substrate",
    "meshes": "mesh",
    "presses": "press",
    "changes": "change",
    "drawdowns": "drawdown",
}
ABOUT = """\
FILE is a table of measured prints (CSV or Excel, the columns of prints.csv), or an instrument's
export whose sample names are the print_id (or setup_id) of --prints SETUPS, or a folder with
prints.csv and, for what is new, inks.csv, substrates.csv, meshes.csv, presses.csv, changes.csv or
drawdowns.csv holding the added rows alone, or a table of drawdowns by itself: the card of a new
lot. Of a workbook of the whole shop the prints and what is new on its other sheets are taken; what
differs there is told. A print whose name for an ink, garment, screen or press may be two things is
left out, with both told; the corrected file brings it in. Readings of one print are averaged. Every
print is held against the model in charge before anything is learnt from it; a doubtful one is set
aside with the reason. What such prints leave in doubt - a lot, a press, a screen - is told, and no
job with it goes untested until somebody decides (strikeoff doubts) or later prints bear them out.
The same file twice changes nothing. With --replace the file takes the place of a batch recorded
wrongly, in one step; what differs is told.
With --change in the place of a file it takes in that a press was mended or changed on a day: new
blade, new screens, another operator. From that day on it counts as another press: what it printed
before says nothing of how it prints now, and its bands stay wide until prints since are recorded.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "record",
        "take in a batch of measured prints",
        ABOUT,
        [
            "strikeoff record monday.csv",
            "strikeoff record export.txt --prints jobs.csv --condition M1",
            "strikeoff record new-ink/ --dry-run",
            "strikeoff record card-of-a-lot.csv",
            "strikeoff record monday-corrected.csv --replace 4",
            'strikeoff record --change "press 2" --what "new blade" --date 2026-05-03',
        ],
    )
    measured = "what was measured, or a folder"
    add.add_argument("file", metavar="FILE", type=Path, nargs="?", help=measured)
    add.add_argument("--prints", metavar="SETUPS", type=Path, help="how the prints were made")
    add.add_argument("--condition", choices=CONDITIONS, help="measurement condition of the file")
    scale = "what the file's spectra are in, where nothing in it tells"
    add.add_argument("--reflectance", choices=("fraction", "percent"), help=scale)
    meant = "its backing, or gloss measured with the print, is meant though it is not the usual"
    add.add_argument("--as-declared", action="store_true", help=meant)
    instead = "put the file in the place of this batch, which is taken back"
    add.add_argument("--replace", metavar="BATCH", type=batch_number, help=instead)
    changed = add.add_argument_group("a press that was mended or changed")
    changed.add_argument("--change", metavar="PRESS", help="which press, by name or id")
    changed.add_argument("--what", metavar="TEXT", help="what was changed: new blade, mended")
    changed.add_argument("--date", metavar="DAY", help="when: a day as 2026-03-31, or today")
    changed.add_argument("--note", metavar="TEXT", help="anything else worth keeping")
    add.add_argument("--dry-run", action="store_true", help="say what would happen, change nothing")
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    said = {"what": args.what, "day": args.date, "note": args.note}
    if args.change is not None:
        if args.file is not None or args.prints is not None or args.replace is not None:
            raise UserError("--change goes without a file; record what was measured by itself.")
        return record_change(
            args.change, **said, workspace=workspace, shop=args.shop, dry_run=args.dry_run
        )
    if args.file is None or any(said.values()):
        raise UserError(
            "Give the file of what was measured, or --change PRESS with --what and --date."
        )
    return record(
        args.file,
        workspace=workspace,
        shop=args.shop,
        sheet=args.prints,
        condition=args.condition,
        as_declared=args.as_declared,
        reflectance=args.reflectance,
        dry_run=args.dry_run,
        replace=args.replace,
    )


def record(
    path: Path,
    *,
    workspace: Workspace,
    shop: str | None = None,
    sheet: Path | None = None,
    condition: str | None = None,
    as_declared: bool = False,
    reflectance: str | None = None,
    dry_run: bool = False,
    replace: int | None = None,
) -> int:
    """Read, check and store what was measured; with ``dry_run`` only tell what would happen.

    ``replace``: the number of a batch that gives way to it.
    """
    from pipelines.ledger import store
    from pipelines.registry.gate import gate_of
    from pipelines.tasks.recording import Recording, read_batch

    name = workspace.pick(shop)
    source = workspace.database(name)
    incoming = read_batch(
        store.read(source), path, sheet, condition, as_declared=as_declared, reflectance=reflectance
    )
    notes: list[str] = []
    gate = gate_of(workspace, name, notes) if "prints" in incoming.tables else None
    recording = Recording(incoming, gate, condition is not None, replace)
    batch = recording.stored(source, dry_run=dry_run)
    report = recording.report
    tell([*report.notes, *notes])
    if replace is not None and report.nothing is None:
        print("\n".join(differing(recording.differs, replace, dry_run)))
    for line in lines(report, batch, incoming.file, dry_run):
        print(line)
    if gate is not None and batch is not None:
        try:
            for line in news_recorded(workspace, name, report.in_use):
                print(line)
            for line in in_doubt_now(workspace, name) if report.doubts else ():
                print(line)
        except UserError as error:  # a server that is gone by now
            tell([f"the batch is recorded; how its lots print cannot be told: {error}"])
    if batch is not None and "drawdowns" in report.described:
        for line in cards_recorded(workspace, name):
            print(line)
    return 0


def record_change(
    press: str,
    *,
    workspace: Workspace,
    what: str | None = None,
    day: str | None = None,
    note: str | None = None,
    shop: str | None = None,
    dry_run: bool = False,
) -> int:
    """Store that a press was changed; see `pipelines.ledger.press_changes.change_said`."""
    from pipelines.ledger import store
    from pipelines.ledger.press_changes import change_said
    from pipelines.ledger.recording import Report, plan
    from pipelines.tables.folder import to_shop
    from pipelines.tasks.recording import stored
    from pipelines.words.changes import recorded_line

    source = workspace.database(workspace.pick(shop))
    given = store.read(source)
    incoming = change_said(given, press, what, day, note)
    report = Report()

    def planned(ledger: Ledger) -> Addition | None:
        nonlocal report
        addition, report = plan(ledger, incoming, None, declared=False)
        return addition

    batch = stored(source, planned, dry_run)
    tell(report.notes)
    if report.nothing is not None:
        print(f"Nothing was changed: {report.nothing}.")
        return 0
    cells = incoming.tables["changes"].iloc[0]
    print(recorded_line(cells, to_shop(given), batch))
    if dry_run:
        print("Nothing was changed.")
    return 0


def differing(differs: Difference, batch: int, dry_run: bool) -> list[str]:
    """What becomes of the prints of a batch that gives way to a corrected file."""
    from pipelines.tables.spectra import wavelength_nm

    parts = [f"{counted(len(differs.changed), 'print')} changed", f"{len(differs.added)} added"]
    parts += [f"{len(differs.gone)} gone", f"{differs.same} as before"]
    said = [f"Batch {batch} {'would give' if dry_run else 'gives'} way: {', '.join(parts)}."]
    for print_id, cells in list(differs.changed.items())[:SHOWN]:
        changes = [f"{c} {old or '(empty)'} -> {new or '(empty)'}"
                   for c, (old, new) in cells.items() if wavelength_nm(c) is None]  # fmt: skip
        if len(changes) < len(cells):
            changes.append("the spectrum")
        said.append(f"  {print_id}: {', '.join(changes)}")
    if len(differs.changed) > SHOWN:
        said.append(f"  and {len(differs.changed) - SHOWN} more changed.")
    for word, print_ids in (("added", differs.added), ("gone", differs.gone)):
        if print_ids:
            more = f" and {len(print_ids) - SHOWN} more" if len(print_ids) > SHOWN else ""
            said.append(f"  {word}: {', '.join(print_ids[:SHOWN])}{more}")
    return said


def lines(report: Report, batch: int | None, file: str, dry_run: bool) -> list[str]:
    """What came of a batch."""
    from pipelines.ledger.recording import NO_ID

    if report.nothing is not None:
        return [f"Nothing was changed: {report.nothing}."]
    head = f"{file} would be recorded" if dry_run else f"Recorded {file} as batch {batch}"
    parts = [f"{counted(len(report.in_use), 'print')} to learn from"]
    if report.doubts:
        parts.append(f"{len(report.doubts)} doubtful and set aside")
    if report.faults:
        parts.append(f"{len(report.faults)} that cannot be right, set aside")
    if report.left_out:
        left_out = {place if one == NO_ID else one for one, place, _ in report.left_out}
        parts.append(f"{len(left_out)} left out")
    if report.known:
        parts.append(f"{len(report.known)} known before")
    parts += [f"{n} new {ONE[table] if n == 1 else table}" for table, n in report.described.items()]
    said = [f"{head}: {', '.join(parts)}."]
    for doubt in report.doubts[:SHOWN]:
        said.append(f"  {doubt.print_id}: {doubt.reason}")
    for print_id, place, why in report.faults[:SHOWN]:
        said.append(f"  {print_id}, {place}: {why}")
    for print_id, place, why in report.left_out[:SHOWN]:
        said.append(f"  {print_id}, {place}, left out: {why}")
    if report.left_out and not dry_run:
        said.append("Correct what was left out and record the file again; what is in stays.")
    more = sum(max(0, len(found) - SHOWN) for found in (report.doubts, report.faults))
    if more:
        said.append(f"  and {more} more; strikeoff doubts lists all.")
    if dry_run:
        said.append("Nothing was changed.")
    elif report.doubts or report.faults:
        said.append("strikeoff doubts lists them; keep, correct or set aside each of them there.")
    return said
