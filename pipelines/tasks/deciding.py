"""What somebody decides on prints and batches, worked out on a ledger; stored by who calls.

Every function makes the `Addition` of one decision, None where it says nothing new. Nothing of what
was there before is deleted.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from datetime import date
from typing import TYPE_CHECKING

from pipelines.workspace.problems import InputProblems, Problem, UserError

if TYPE_CHECKING:
    from pipelines.ledger.database import Source
    from pipelines.ledger.recording import Gate
    from pipelines.ledger.state import Addition, Batch, Decision, Ledger, State, What
    from pipelines.ledger.store import Plan

FAR = 10.0  # standard deviations: no print of a known set-up lies there by scatter
Cells = Mapping[str, str]


def decided(
    ledger: Ledger,
    verb: What,
    print_ids: list[str],
    reason: str,
    before: dict[str, Decision | None] | None = None,
) -> Addition | None:
    """Prints kept, restored or set aside, all of them or (one unknown) none; ``before`` is told the
    last decision on each."""
    from pipelines.ledger.state import Addition, Decision, current, judged

    state = current(ledger)
    decisions = []
    for print_id in dict.fromkeys(print_ids):
        row = row_of(state, print_id)
        stands = state.standing[row]
        last = stands.decision
        if before is not None:
            before[print_id] = last
        same = last is not None and last.what == verb
        if same and (verb != "set aside" or (last and last.reason == reason)):
            continue
        digest = judged(state.cells(row))
        decisions.append(Decision(verb, print_id, reason, None, digest, batch=stands.batch))
    return Addition(None, tuple(decisions)) if decisions else None


def corrected(
    ledger: Ledger, changes: Mapping[str, Cells], gate: Gate | None, reason: str, *, typed: bool
) -> Addition | None:
    """Cells of prints (print -> column -> text) changed to what is right; those that ``gate`` finds
    doubtful all the same stay set aside. ``typed``: a colour among them was typed in.

    Raises InputProblems for what no print can be, however doubtful its colour.
    """
    from pipelines.ledger.recording import check_rows
    from pipelines.ledger.state import Addition, Decision, current, judged
    from pipelines.tables.folder import check_added

    state = current(ledger)
    made, rows = [], {}
    for print_id, cells in changes.items():
        row = row_of(state, print_id)
        before = state.cells(row)
        new = {c: cell for c, cell in cells.items() if before.get(c, "").strip() != cell.strip()}
        if not new:
            continue
        old = {column: before.get(column, "") for column in new}
        batch = state.standing[row].batch
        made.append(Decision("corrected", print_id, reason, None, judged(before), old, new, batch))
        rows[row] = print_id
    if not made:
        return None
    after = current(ledger + Addition(None, tuple(made)))
    _, faults = check_added(after.given, after.given.tables["prints"].loc[list(rows)])
    if faults:
        raise InputProblems(faults)
    if gate is None:
        return Addition(None, tuple(made))
    out = tuple(
        Decision("doubted", doubt.print_id, f"corrected, but still {doubt.reason}", doubt.distance,
                 judged(after.cells(row)), batch=after.standing[row].batch)
        for doubt in check_rows(after.given, list(rows), gate, typed=typed)
        for row in [row_of(after, doubt.print_id)]
    )  # fmt: skip
    return Addition(None, (*made, *out))


def colour_cells(state: State, print_id: str, lab: Mapping[str, str]) -> dict[str, str]:
    """A measured colour typed in: a spectrum that is there would outweigh it, and gives way."""
    from pipelines.tables.spectra import wavelength_nm

    before = state.cells(row_of(state, print_id))
    return {**lab, **{c: "" for c in before if wavelength_nm(c) is not None}}


def taken_back(ledger: Ledger, number: int, *, back: bool, reason: str) -> Addition | None:
    """A batch taken out whole (``back``), or put in again."""
    from pipelines.ledger.state import Addition, Decision, NoImport, current

    batch = batch_of(ledger, number)
    if ledger.states()[batch.id] != back:
        return None
    if not back and (other := _said_otherwise(ledger, batch)) is not None:
        print_id, elsewhere = other
        raise UserError(
            f"Batch {number} cannot be put back: print {print_id} stands otherwise in batch "
            f"{elsewhere}, which came in since; take that back first; nothing was changed."
        )
    what: What = "taken back" if back else "put back"
    addition = Addition(None, (Decision(what, None, reason, batch=batch.id),))
    try:
        current(ledger + addition)
    except NoImport:
        raise UserError(
            f"Batch {number} is the only import: without it there is no shop; import the "
            "right tables instead, they take its place."
        ) from None
    return addition


def _said_otherwise(ledger: Ledger, batch: Batch) -> tuple[str, int] | None:
    """A print of a batch of which a later one that is in says something else, and that one."""
    from pipelines.ledger.state import IMPORT, judged

    def prints_of(one: Batch) -> dict[str, str]:
        if "prints" not in one.sheets:
            return {}
        cells = one.sheets["prints"].cells
        ids = cells["print_id"].str.strip()
        return {i: judged(row) for i, row in zip(ids, cells.to_dict("records"), strict=True) if i}

    own, states = prints_of(batch), ledger.states()
    for later in ledger.batches:
        if later.id <= batch.id or not states[later.id] or later.command == IMPORT:
            continue  # what is imported goes before what is recorded anyhow
        for print_id, says in prints_of(later).items():
            if own.get(print_id, says) != says:
                return print_id, later.id
    return None


def store_taken(source: Source, number: int, plan: Plan, *, back: bool) -> Addition | None:
    """Store that a batch is taken back or put back; raises UserError where something needs it."""
    return _stored(
        source,
        plan,
        lambda first: (
            f"Batch {number} cannot be {'taken' if back else 'put'} back: then {first.file} has "
            f"{first.reason}; take back what needs it first; nothing was changed."
        ),
    )


def store_decided(
    source: Source,
    plan: Plan,
    print_ids: list[str],
    how: str = "strikeoff doubts correct {} ...",
    called: Mapping[str, str] | None = None,
) -> Addition | None:
    """Store a decision on prints; raises UserError, saying ``how`` to correct one, where it would
    let in what cannot be learnt from. ``called``: column -> what the reader calls it."""

    def checked(ledger: Ledger) -> Addition | None:
        addition = plan(ledger)
        if addition is not None:
            _refuse_to_come(ledger + addition, print_ids)
        return addition

    return _stored(
        source,
        checked,
        lambda first: (
            f"{', '.join(print_ids)} cannot be learnt from like this: "
            f"{first.called(called or {}).reason}; {first.advice} "
            f"({how.format(print_ids[0])}); nothing was changed."
        ),
    )


def _refuse_to_come(ledger: Ledger, print_ids: list[str]) -> None:
    """Raises InputProblems where one of the prints is learnt from and dated after today: opening
    the tables does not look at that again, for what was right then stays so."""
    from pipelines.ledger.state import current
    from pipelines.tables.cells import typed
    from pipelines.tables.schema import PRINTS

    state = current(ledger)
    rows = [row_of(state, print_id) for print_id in print_ids]
    used = [row for row in rows if state.standing[row].why is None]
    cells = state.given.tables["prints"].loc[used]
    if faults := typed(PRINTS, cells, PRINTS.file, date.today())[1]:
        raise InputProblems(faults)


def _stored(source: Source, plan: Plan, said: Callable[[Problem], str]) -> Addition | None:
    """Store what is planned; raises UserError with what is ``said`` of the first problem."""
    from pipelines.ledger import store

    try:
        return store.change(source, plan)
    except InputProblems as error:
        raise UserError(said(error.problems[0])) from error


def risky(decisions: tuple[Decision, ...], before: Mapping[str, Decision | None]) -> list[str]:
    """A warning for each kept print that lies so far off that, if wrong, it spoils the model."""
    notes = []
    for decision in decisions:
        doubt = before.get(decision.print_id or "")
        if doubt is not None and (doubt.distance or 0.0) > FAR:
            notes.append(
                f"{decision.print_id} lies {doubt.distance:.0f} times the usual scatter off. "
                "Should it be wrong after all it widens the bands of every prediction: print the "
                "same set-up once more to be sure."
            )
    return notes


def row_of(state: State, print_id: str) -> int:
    """The row of a print; raises UserError where there is none of that name."""
    row = state.row_of(print_id)
    if row is None:
        ids = state.given.tables["prints"]["print_id"].str.strip().tolist()
        close = difflib.get_close_matches(print_id, ids, n=1)
        hint = f' is "{close[0]}" meant?' if close else " strikeoff doubts lists those set aside."
        raise UserError(f'There is no print "{print_id}";{hint} Nothing was changed.')
    return row


def batch_of(ledger: Ledger, number: int) -> Batch:
    """A batch by its number; raises UserError where there is none."""
    if not 1 <= number <= len(ledger.batches):
        raise UserError(f"There is no batch {number}; strikeoff history lists them.")
    return ledger.batches[number - 1]
