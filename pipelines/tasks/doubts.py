"""Prints that wait for somebody to decide on them."""

from __future__ import annotations

from pipelines.ledger.state import State
from pipelines.registry import versions
from pipelines.registry.archive import Archive


def by_learner(kept: Archive, state: State) -> dict[int, str]:
    """Gross errors of the model in charge that nobody has decided on since: row -> line."""
    version = versions.in_charge(kept)
    if version is None:
        return {}
    lines = {}
    for record in versions.described(kept, version)["facts"].get("set_aside", []):
        row = state.row_of(record["print_id"])
        if row is None or state.standing[row].why or state.standing[row].decision is not None:
            continue
        batch = state.standing[row].batch
        lines[row] = f"{record['print_id']}  batch {batch}: {record['reason']} (model {version})"
    return lines


def on_arrival(state: State) -> int:
    """How many prints were set aside as they came, and not by hand since."""
    return sum(
        stands.why is not None
        and (stands.decision is None or stands.decision.what != "set aside")
        for stands in state.standing.values()
    )  # fmt: skip
