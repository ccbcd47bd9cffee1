"""A corrected file in the place of a wrong batch: taken back and recorded in one step."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipelines.ledger.incoming import Incoming
from pipelines.ledger.recording import RECORD, Gate, Report, plan
from pipelines.ledger.state import Addition, Batch, Decision, Ledger, State, current
from pipelines.workspace.problems import UserError


@dataclass(frozen=True)
class Difference:
    """What a corrected file changes, by print.

    ``changed``: print -> column -> cell before and now; ``gone``: no longer in the shop.
    """

    changed: dict[str, dict[str, tuple[str, str]]] = field(default_factory=dict)
    added: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    same: int = 0


def plan_replacement(
    ledger: Ledger, number: int, incoming: Incoming, gate: Gate | None, declared: bool
) -> tuple[Addition | None, Report, Difference]:
    """The addition that takes batch ``number`` back and records ``incoming`` instead.

    Raises UserError for a batch that cannot be replaced or a file that cannot be recorded.
    """
    wrong = _replaceable(ledger, number)
    if wrong.sha256 == incoming.sha256:
        return None, Report(nothing=f"{incoming.file} is what batch {number} holds"), Difference()
    back = Decision("taken back", None, f"replaced by {incoming.file}", batch=number)
    without = ledger + Addition(None, (back,))
    addition, report = plan(without, incoming, gate, declared=declared, in_part=False)
    if addition is None or addition.batch is None:
        return None, report, Difference()
    addition = Addition(addition.batch, (back, *addition.decisions))
    numbered = ledger.numbered(addition, "", "")
    before, after = current(ledger), current(ledger + numbered)
    new = len(ledger.batches) + 1
    return addition, report, difference(_prints(before, number), _prints(after, new), after)


def difference(
    before: dict[str, dict[str, str]], now: dict[str, dict[str, str]], after: State
) -> Difference:
    """How the prints of a batch (print -> filled cells) differ from those it held ``before``."""
    changed = {}
    for print_id in before.keys() & now.keys():
        old, new = before[print_id], now[print_id]
        cells = {c: (old.get(c, ""), new.get(c, "")) for c in {**old, **new}}
        cells = {c: (a, b) for c, (a, b) in cells.items() if a.strip() != b.strip()}
        if cells:
            changed[print_id] = cells
    return Difference(
        {print_id: changed[print_id] for print_id in now if print_id in changed},
        [print_id for print_id in now if print_id not in before],
        [one for one in before if one not in now and after.row_of(one) is None],
        len(before.keys() & now.keys()) - len(changed),
    )


def _replaceable(ledger: Ledger, number: int) -> Batch:
    if not 1 <= number <= len(ledger.batches):
        raise UserError(f"There is no batch {number}; strikeoff history lists them.")
    batch = ledger.batches[number - 1]
    if batch.command != RECORD:
        raise UserError(
            f"Batch {number} is an import; strikeoff import brings in tables that take its place."
        )
    if not ledger.states()[number]:
        raise UserError(f"Batch {number} is taken back already; record the file without --replace.")
    return batch


def _prints(state: State, batch: int) -> dict[str, dict[str, str]]:
    """Print -> its filled cells, of those that came with a batch."""
    rows = [row for row, stands in state.standing.items() if stands.batch == batch]
    cells = [state.cells(row) for row in rows]
    return {one["print_id"].strip(): one for one in cells if "print_id" in one}
