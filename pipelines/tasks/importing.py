"""What tables hold that are taken in, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.tables.schema import ASIDE, DECISIONS, KEPT, WAITS
from pipelines.words.common import counted

if TYPE_CHECKING:
    from pipelines.tables.folder import Checked

SHOWN_SET_ASIDE = 20


def _decided(checked: Checked) -> list[str]:
    """What the tables say of decisions on prints."""
    told = checked.given.decided
    if told is None:
        return []
    n = told["stands"].value_counts()
    waiting, aside, kept = (int(n.get(one, 0)) for one in (WAITS, ASIDE, KEPT))
    wait = "waits for a decision and is" if waiting == 1 else "wait for a decision and are"
    return [
        f"By the table {DECISIONS.name} {counted(waiting, 'print')} {wait} not learnt from, "
        f"{aside} set aside, {kept} kept; what was decided in the shop itself holds."
    ]


def in_tables(name: str, checked: Checked, listing: str, done: str) -> list[str]:
    """What is in the tables, and the prints that are set aside; ``listing`` names them all."""
    frames, rows = checked.shop, checked.given.set_aside
    said = [
        f"{done} shop {name}: {counted(len(frames.inks), 'ink')}, "
        f"{counted(len(frames.substrates), 'substrate')}, "
        f"{counted(len(frames.meshes), 'mesh', 'meshes')}, "
        f"{counted(len(frames.drawdowns), 'drawdown')}, {counted(len(frames.prints), 'print')}."
    ]
    said += _decided(checked)
    if not rows:
        return said
    said.append(f"{counted(len(rows), 'print')} set aside: kept in the database, not learnt from.")
    ids = checked.given.tables["prints"]["print_id"].str.strip()
    file = checked.set_aside[0].file
    why: dict[int, list[str]] = {}
    for problem in checked.set_aside:
        why.setdefault(problem.row or 0, []).append(problem.told)
    for row in list(rows)[:SHOWN_SET_ASIDE]:
        reason = "; ".join(why[row])
        said.append(f"  {file}, row {row}, {ids[row] or '(no id)'}: {reason}")
    if len(rows) > SHOWN_SET_ASIDE:
        said.append(
            f"  and {len(rows) - SHOWN_SET_ASIDE} more; {listing} lists all, changing nothing."
        )
    return said
