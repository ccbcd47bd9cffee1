"""Prints that wait for somebody to decide on them."""

from __future__ import annotations

from pipelines.ledger.state import State
from pipelines.registry import versions
from pipelines.registry.archive import Archive


def by_learner(kept: Archive, state: State) -> dict[int, str]:
    """Gross errors of the model in charge that nobody has decided on since: row -> line."""
    version = versions.in_charge(kept)
    ids = state.given.tables["prints"]["print_id"].str.strip()
    return {
        row: f"{ids[row]}  batch {state.standing[row].batch}: {why} (model {version})"
        for row, why in of_learner(kept, state).items()
    }


def of_learner(kept: Archive, state: State) -> dict[int, str]:
    """The same, row -> why."""
    version = versions.in_charge(kept)
    if version is None:
        return {}
    found = {}
    for record in versions.described(kept, version)["facts"].get("set_aside", []):
        row = state.row_of(record["print_id"])
        if row is None or state.standing[row].why or state.standing[row].decision is not None:
            continue
        found[row] = str(record["reason"])
    return found


def set_aside(state: State) -> dict[int, str]:
    """Prints that were set aside as they came, and not by hand since: row -> why."""
    return {
        row: stands.why
        for row, stands in state.standing.items()
        if stands.why is not None
        and (stands.decision is None or stands.decision.what != "set aside")
    }


def on_arrival(state: State) -> int:
    """How many of those there are."""
    return len(set_aside(state))
