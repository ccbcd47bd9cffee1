"""All that ever happened to a shop's data, and what of it holds now. No files, no database.

A ledger only grows. A batch is an import of all tables or a recording of more rows; a decision
sets a print aside, brings it back, corrects it, or takes a whole batch back. What holds now
follows from both: the latest import that was not taken back, then every recording that was not,
each print by the last decision on the cells it has now; of the targets, the list that came last.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import pandas as pd

from pipelines.tables.folder import Given
from pipelines.tables.schema import AIMS, ASIDE, DECISIONS, KEPT, SHOP_TABLES, TARGETS, WAITS

What = Literal[
    "set aside", "doubted", "kept", "restored", "corrected", "taken back", "put back"
]  # doubted: set aside by the check on arrival, not by a person
TRUSTED = ("kept", "restored")
OUT = ("set aside", "doubted")
IMPORT = "import"
# How a decision is written into a table, and what it is made of again.
STANDS: dict[What, str] = {
    "doubted": WAITS, "set aside": ASIDE, "restored": KEPT, "kept": KEPT
}  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """Rows of one table in a batch: text cells by spreadsheet row.

    ``faults``: row -> why it cannot be right; ``spreads``: row -> spread of its readings, JSON.
    """

    cells: pd.DataFrame
    faults: dict[int, str] = field(default_factory=dict)
    spreads: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Batch:
    """What came in at one time; ``readings``: (print_id, number, place, colour as JSON)."""

    command: str
    sheets: dict[str, Sheet]
    file: str = ""
    sha256: str = ""
    counts: dict[str, int] = field(default_factory=dict)
    condition: str | None = None
    backing: str | None = None
    shop: str | None = None
    shop_toml: str | None = None
    readings: tuple[tuple[str, int, str, str], ...] = ()
    id: int = 0
    at: str = ""
    who: str = ""


@dataclass(frozen=True)
class Decision:
    """One decision on a print, or (``print_id`` None) on a batch.

    ``judged``: digest of the cells it was made on; it holds as long as the print has these.
    ``old``, ``new``: the cells a correction changed.
    """

    what: What
    print_id: str | None = None
    reason: str = ""
    distance: float | None = None
    judged: str | None = None
    old: dict[str, str] = field(default_factory=dict)
    new: dict[str, str] = field(default_factory=dict)
    batch: int | None = None
    id: int = 0
    at: str = ""
    who: str = ""


@dataclass(frozen=True)
class Addition:
    """What one command adds in one transaction."""

    batch: Batch | None = None
    decisions: tuple[Decision, ...] = ()


@dataclass(frozen=True)
class Ledger:
    """Batches and decisions in the order of their numbers."""

    batches: tuple[Batch, ...] = ()
    decisions: tuple[Decision, ...] = ()

    @property
    def stamp(self) -> tuple[int, int]:
        """Changes whenever anything is added."""
        return len(self.batches), len(self.decisions)

    def numbered(self, addition: Addition, at: str, who: str) -> Addition:
        """The addition with the next numbers, its time and its author."""
        n_batches, n_decisions = self.stamp
        batch = addition.batch
        if batch is not None:
            batch = replace(batch, id=n_batches + 1, at=at, who=who)
        decisions = tuple(
            replace(
                decision,
                id=n_decisions + 1 + i,
                at=at,
                who=who,
                batch=batch.id if decision.batch is None and batch else decision.batch,
            )
            for i, decision in enumerate(addition.decisions)
        )
        return Addition(batch, decisions)

    def __add__(self, addition: Addition) -> Ledger:
        batches = (addition.batch,) if addition.batch else ()
        return Ledger(self.batches + batches, self.decisions + addition.decisions)

    def states(self) -> dict[int, bool]:
        """Batch -> whether it is in (True) or taken back."""
        states = {batch.id: True for batch in self.batches}
        for decision in self.decisions:
            if decision.batch is not None and decision.what in ("taken back", "put back"):
                states[decision.batch] = decision.what == "put back"
        return states


@dataclass(frozen=True)
class Standing:
    """Where a print stands: ``why`` it is out (None: in use), and the decision behind it.

    ``doubted``: the check on arrival has set it aside, and nobody has brought it back.
    """

    batch: int
    why: str | None
    decision: Decision | None
    doubted: bool = False

    @property
    def waits(self) -> bool:
        """The check on arrival has set it aside, and nobody has decided on it."""
        return self.decision is not None and self.decision.what == "doubted"

    @property
    def trusted(self) -> bool:
        """Somebody has looked and said it is right."""
        return self.decision is not None and self.decision.what in TRUSTED


@dataclass(frozen=True)
class State:
    """What holds now: the tables, and where each row of ``prints`` stands."""

    given: Given
    standing: dict[int, Standing]
    lapsed: tuple[str, ...] = ()  # prints that a decision was on, and that say otherwise by now
    imported: tuple[str, ...] = ()  # prints in use that the tables imported last hold

    def row_of(self, print_id: str) -> int | None:
        """The row of a print, None where there is none of that name."""
        ids = self.given.tables["prints"]["print_id"].str.strip()
        rows = ids.index[ids == print_id]
        return int(rows[0]) if len(rows) else None

    def doubted(self) -> list[str]:
        """The prints that the check on arrival has set aside, in the order they came."""
        ids = self.given.tables["prints"]["print_id"].str.strip()
        return [ids[row] for row, stands in self.standing.items() if stands.doubted]

    def decided(self) -> pd.DataFrame | None:
        """What was decided on prints and holds, as a table; None where nothing was. Corrections
        are in the cells already."""
        ids = self.given.tables["prints"]["print_id"].str.strip()
        rows = [
            (ids[row], STANDS[made.what], made.reason)
            for row, stands in self.standing.items()
            if (made := stands.decision) is not None and made.what in STANDS and ids[row]
        ]
        names = [column.name for column in DECISIONS.columns]
        found = pd.DataFrame(rows, columns=names, dtype=object)
        return found.set_axis(range(2, len(found) + 2)) if len(found) else None

    def cells(self, row: int) -> dict[str, str]:
        """The filled cells of a print."""
        return _filled(self.given.tables["prints"].loc[row])


# A decimal fraction with zeros at its end: what counts, and these.
_FRACTION = re.compile(r"([+-]?[0-9]+)(?:(\.[0-9]*[1-9])|\.)0*")
BESIDES = ("job_id",)  # cells that say nothing of how a print was made


class NoImport(ValueError):
    """A ledger begins with an import; this one holds none that is in use."""


def judged(cells: Mapping[str, str]) -> str:
    """SHA-256 of what a row's filled cells say of a print, however a spreadsheet writes its numbers
    and whichever job it is counted with."""
    return _digest({k: _plain(v.strip()) for k, v in cells.items() if k not in BESIDES})


def _plain(cell: str) -> str:
    """
    >>> _plain("3.0"), _plain("0.10"), _plain("10"), _plain("C-1.0"), _plain("45.2")
    ('3', '0.1', '10', 'C-1.0', '45.2')
    """
    found = _FRACTION.fullmatch(cell)
    return found[1] + (found[2] or "") if found else cell


def _digest(cells: Mapping[str, str]) -> str:
    text = json.dumps(sorted((k, v.strip()) for k, v in cells.items() if v.strip()))
    return hashlib.sha256(text.encode()).hexdigest()


def _about(decision: Decision, cells: Mapping[str, str]) -> bool:
    """Whether a decision was on a print of just these cells; earlier versions of this program took
    every cell as it was written."""
    return decision.judged in (judged(cells), _digest(cells))


def decisions_of(given: Given) -> tuple[Decision, ...]:
    """The decisions that tables bring along from where they come from."""
    if given.decided is None:
        return ()
    made: dict[str, What] = {stands: what for what, stands in STANDS.items()}
    prints = given.tables["prints"]
    cells = dict(zip(prints["print_id"].str.strip(), prints.to_dict("records"), strict=True))
    return tuple(
        Decision(made[stands], print_id, reason, judged=judged(cells[print_id]))
        for print_id, stands, reason in given.decided.itertuples(index=False)
    )


def current(ledger: Ledger) -> State:
    """The state that follows from all batches and decisions; raises NoImport without a shop."""
    states = ledger.states()
    inside = [batch for batch in ledger.batches if states[batch.id]]
    base = next((batch for batch in reversed(inside) if batch.command == IMPORT), None)
    if base is None:
        raise NoImport
    recorded = [batch for batch in inside if batch.command != IMPORT]
    tables, faults, origin = {}, {}, {}
    for name in SHOP_TABLES:
        own = [batch for batch in (base, *recorded) if name in batch.sheets]
        if not own:
            continue  # a table the shop does not keep
        frame, fault, batch_of = _joined(name, own)
        tables[name] = frame
        if name == "prints":
            faults, origin = fault, batch_of
    tables["prints"], faults, standing, lapsed = _decided(
        tables["prints"], faults, origin, ledger.decisions
    )
    trusted = frozenset(
        tables["prints"].loc[row, "print_id"].strip()
        for row, stands in standing.items()
        if stands.trusted and stands.why is None
    )
    out = {row: stands.why for row, stands in standing.items() if stands.why is not None}
    # The targets are one short table: whoever changes it hands it over whole.
    lists = [batch.sheets[TARGETS.name] for batch in inside if TARGETS.name in batch.sheets]
    targets = lists[-1].cells if lists else None
    aims = _aims(tables["prints"], [base, *recorded])
    waiting = tuple(row for row, stands in standing.items() if stands.waits)
    given = Given(
        base.shop or "", base.shop_toml, tables, out, trusted, targets, aims, waiting=waiting
    )
    ids = tables["prints"]["print_id"].str.strip()
    imported = [
        r for r, stands in standing.items() if (stands.batch, stands.why) == (base.id, None)
    ]
    return State(given, standing, lapsed, tuple(ids[imported]))


def _aims(prints: pd.DataFrame, batches: list[Batch]) -> pd.DataFrame | None:
    """What the prints were meant to be, each as the batch it came with says."""
    told = [batch.sheets[AIMS.name].cells for batch in batches if AIMS.name in batch.sheets]
    if not told:
        return None
    names = [column.name for column in AIMS.columns]
    aims = pd.concat(told).reindex(columns=names).fillna("").astype(object)
    own = aims["print_id"].str.strip()
    aims = aims[own.isin(prints["print_id"].str.strip()) & ~own.duplicated()]
    return aims.set_axis(range(2, len(aims) + 2)) if len(aims) else None


def _joined(name: str, batches: list[Batch]) -> tuple[pd.DataFrame, dict[int, str], dict[int, int]]:
    """Rows of one table from several batches, the first of each key or (no key) content.

    The rows of the first batch keep their numbers and all stay; later ones are numbered on.
    """
    key = SHOP_TABLES[name].key
    first = batches[0].sheets[name]
    frames, faults = [first.cells], dict(first.faults)
    origin = dict.fromkeys(map(int, first.cells.index), batches[0].id)
    seen = set(_marks(first.cells, key))
    last = int(max(first.cells.index, default=1))
    for batch in batches[1:]:
        sheet = batch.sheets[name]
        taken = []
        for row, mark in zip(sheet.cells.index, _marks(sheet.cells, key), strict=True):
            if mark not in seen:
                seen.add(mark)
                taken.append(int(row))
        rows = range(last + 1, last + 1 + len(taken))
        frames.append(sheet.cells.loc[taken].set_axis(rows))
        faults |= {
            new: sheet.faults[old]
            for new, old in zip(rows, taken, strict=True)
            if old in sheet.faults
        }
        origin |= dict.fromkeys(rows, batch.id)
        last += len(taken)
    if len(frames) == 1:
        return first.cells, faults, origin
    joined = pd.concat(frames).fillna("").astype(object)
    return joined, faults, origin


def _marks(cells: pd.DataFrame, key: str | None) -> list[str]:
    """What makes two rows the same: the key where there is one, else all they say."""
    if key is not None:
        marks = cells[key].str.strip()
        if (marks != "").all():
            return marks.tolist()
        return [mark or f"\0{row}" for row, mark in marks.items()]
    return [judged(record) for record in cells.to_dict("records")]


def _decided(
    prints: pd.DataFrame,
    faults: dict[int, str],
    origin: dict[int, int],
    decisions: Iterable[Decision],
) -> tuple[pd.DataFrame, dict[int, str], dict[int, Standing], tuple[str, ...]]:
    """Corrections made, and where every print stands by the last decision that holds; and the
    prints whose last one does not, as they say something else by now."""
    standing = {row: Standing(origin[row], faults.get(row), None) for row in origin}
    rows = {cell.strip(): int(row) for row, cell in prints["print_id"].items() if cell.strip()}
    changed: dict[int, dict[str, str]] = {}
    lapsed: dict[str, None] = {}
    for decision in decisions:
        row = rows.get(decision.print_id or "")
        if row is None:
            continue
        cells = changed.get(row) or _filled(prints.loc[row])
        if not _about(decision, cells):
            if {**cells, **decision.new} != cells or not decision.new:  # nor says so by now
                lapsed[str(decision.print_id)] = None
            continue  # it was about another measurement
        lapsed.pop(str(decision.print_id), None)
        batch = origin[row]
        if decision.what == "corrected":
            changed[row] = {**cells, **decision.new}
            standing[row] = Standing(batch, None, decision)
        elif decision.what in OUT:
            doubted = decision.what == "doubted" or standing[row].doubted
            standing[row] = Standing(batch, decision.reason, decision, doubted)
        else:
            standing[row] = Standing(batch, None, decision)
    if changed:
        names = dict.fromkeys(name for cells in changed.values() for name in cells)
        new = [name for name in names if name not in prints]
        prints = prints.assign(**dict.fromkeys(new, ""))
        for row, cells in changed.items():
            for name, cell in cells.items():
                prints.loc[row, name] = cell
    return prints, faults, standing, tuple(lapsed)


def _filled(row: pd.Series) -> dict[str, str]:
    return {str(name): cell for name, cell in row.items() if cell.strip()}
