"""What each version of a shop's model was like, and which is in charge."""

from __future__ import annotations

from typing import Any, NamedTuple

from pipelines.registry import versions
from pipelines.registry.archive import Archive
from pipelines.words.common import minute
from pipelines.workspace.problems import Kind, UserError


class Told(NamedTuple):
    """A stored version; figures are of jobs held back when all was last learnt anew."""

    name: str
    in_charge: bool
    made: str  # to the minute, UTC
    prints: int | None  # None: not told, as of the next two
    median_dE00: float | None
    coverage90: float | None
    readable: bool


def told(kept: Archive) -> list[Told]:
    """Every stored version, oldest first."""
    charge, found = None, []
    with versions.damage_passed_over():  # which one is not known then
        charge = versions.in_charge(kept)
    for name in kept.names():
        try:
            facts = versions.described(kept, name)
        except UserError as error:
            if error.kind != Kind.DAMAGED:
                raise
            found.append(Told(name, name == charge, "", None, None, None, False))
            continue
        held = facts["facts"].get("validation", {})
        n = _number(facts["facts"].get("rows", {}), "prints")
        found.append(
            Told(
                name,
                name == charge,
                minute(str(facts.get("made", ""))),
                None if n is None else int(n),
                _number(held, "median_dE00"),
                _number(held, "coverage90"),
                True,
            )
        )
    return found


def _number(facts: dict[str, Any], name: str) -> float | None:
    try:
        value = float(facts[name])
    except (KeyError, TypeError, ValueError):
        return None
    return None if value != value else value
