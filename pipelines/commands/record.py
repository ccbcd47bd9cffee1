"""``strikeoff record``: a batch of measured prints into the shop's history."""

from __future__ import annotations

from pathlib import Path

from pipelines.ledger import store
from pipelines.ledger.incoming import read_incoming
from pipelines.ledger.recording import Report, plan
from pipelines.ledger.state import Addition, Ledger, current
from pipelines.registry.gate import gate_of
from pipelines.tables.folder import to_shop
from pipelines.tables.settings import read_settings
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import Findings
from pipelines.workspace.progress import counted, tell

SHOWN = 20
ONE = {"inks": "ink", "substrates": "substrate", "meshes": "mesh", "drawdowns": "drawdown"}


def record(
    path: Path,
    *,
    workspace: Workspace,
    shop: str | None = None,
    sheet: Path | None = None,
    condition: str | None = None,
    dry_run: bool = False,
) -> int:
    """Read, check and store what was measured; with ``dry_run`` only tell what would happen."""
    name = workspace.pick(shop)
    source = workspace.database(name)
    given = store.read(source)
    settings = read_settings(given.shop_toml, given.name, Findings())
    incoming = read_incoming(path, sheet, settings, condition)
    notes: list[str] = []
    gate = gate_of(workspace, name, notes) if "prints" in incoming.tables else None
    told = len(notes)
    report = Report()

    def planned(ledger: Ledger) -> Addition | None:
        nonlocal report
        del notes[told:]  # of an earlier try
        addition, report = plan(ledger, incoming, gate, declared=condition is not None)
        return addition

    if dry_run:
        ledger = store.read_ledger(source)
        addition = planned(ledger)
        if addition is not None:
            to_shop(current(ledger + ledger.numbered(addition, "", "")).given)
        batch = None
    else:
        done = store.change(source, planned)
        batch = done.batch.id if done else None
    tell([*report.notes, *notes])
    for line in lines(report, batch, incoming.file, dry_run):
        print(line)
    return 0


def lines(report: Report, batch: int | None, file: str, dry_run: bool) -> list[str]:
    """What came of a batch."""
    if report.nothing is not None:
        return [f"Nothing was changed: {report.nothing}."]
    head = f"{file} would be recorded" if dry_run else f"Recorded {file} as batch {batch}"
    parts = [f"{counted(len(report.in_use), 'print')} to learn from"]
    if report.doubts:
        parts.append(f"{len(report.doubts)} doubtful and set aside")
    if report.faults:
        parts.append(f"{len(report.faults)} that cannot be right, set aside")
    if report.known:
        parts.append(f"{len(report.known)} known before")
    parts += [f"{n} new {ONE[table] if n == 1 else table}" for table, n in report.described.items()]
    said = [f"{head}: {', '.join(parts)}."]
    for doubt in report.doubts[:SHOWN]:
        said.append(f"  {doubt.print_id}: {doubt.reason}")
    for print_id, place, why in report.faults[:SHOWN]:
        said.append(f"  {print_id}, {place}: {why}")
    more = sum(max(0, len(found) - SHOWN) for found in (report.doubts, report.faults))
    if more:
        said.append(f"  and {more} more; strikeoff doubts lists all.")
    if dry_run:
        said.append("Nothing was changed.")
    elif report.doubts or report.faults:
        said.append("strikeoff doubts lists them; keep, correct or set aside each of them there.")
    return said
