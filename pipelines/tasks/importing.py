"""What tables hold that are taken in, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.tables.schema import ASIDE, DECISIONS, KEPT, WAITS
from pipelines.words.common import counted
from pipelines.words.history import KINDS

if TYPE_CHECKING:
    from pipelines.tables.folder import Checked

SHOWN_SET_ASIDE = 20
DESCRIBED = ("inks", "substrates", "meshes", "drawdowns")


def _decided(checked: Checked) -> tuple[int, list[str]]:
    """How many prints the tables leave in use, and what they say of decisions on the others."""
    told, ids = checked.given.decided, checked.shop.prints["print_id"]
    if told is None:
        return len(ids), []
    stands = told["stands"].value_counts()
    waiting, aside, kept = (int(stands.get(one, 0)) for one in (WAITS, ASIDE, KEPT))
    left_out = ((waiting, "waiting for a decision"), (aside, "set aside"))
    out = [f"{n} {how}" for n, how in left_out if n]
    said = [f"{' and '.join(out)}, not counted among these and not learnt from"] if out else []
    said += [f"{kept} kept"] if kept else []
    in_use = int((~ids.isin(told.loc[told["stands"] != KEPT, "print_id"])).sum())
    if not said:
        return in_use, []
    return in_use, [
        f"Prints by the table {DECISIONS.name}: {'; '.join(said)}. What was decided in the shop "
        "itself holds."
    ]


def in_tables(name: str, checked: Checked, listing: str, done: str) -> list[str]:
    """What is in the tables, and the prints that are set aside; ``listing`` names them all."""
    frames, rows = checked.shop, checked.given.set_aside
    in_use, decided = _decided(checked)
    parts = [counted(len(getattr(frames, t)), *KINDS[t]) for t in DESCRIBED]
    said = [f"{done} shop {name}: {', '.join([*parts, counted(in_use, *KINDS['prints'])])}."]
    said += decided
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
