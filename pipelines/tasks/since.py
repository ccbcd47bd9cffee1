"""What has changed since a day: what came in, the model, and the verdicts on the week's jobs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from pipelines.registry import versions
from pipelines.registry.archive import Archive, archive_of
from pipelines.registry.opened import open_model
from pipelines.words.common import counted, minute
from pipelines.words.history import brought
from pipelines.words.verdict import HEADLINES
from pipelines.workspace.folders import Workspace

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.ledger.state import Ledger


def came(ledger: Ledger, workspace: Workspace, shop: str, day: str) -> list[str]:
    """Sentences on what came into the store from ``day`` on (2026-03-31), and on new models."""
    kept = archive_of(workspace, shop)
    charge = versions.in_charge(kept)
    said = list(_in_store(ledger, day))
    for version in kept.names():
        if _made(kept, version) >= day:
            state = "and is in charge" if version == charge else "and is not in charge"
            said.append(f"Model {version} was learnt {state}.")
    return said


def model_of_before(workspace: Workspace, shop: str, day: str) -> str | None:
    """The newest version made before ``day``, where another is in charge now."""
    kept = archive_of(workspace, shop)
    older = [v for v in kept.names() if "" < _made(kept, v) < day]
    return older[-1] if older and older[-1] != versions.in_charge(kept) else None


def other_verdicts(
    workspace: Workspace, shop: str, version: str, setups: pd.DataFrame, now: Mapping[str, str]
) -> list[str]:
    """Jobs on which ``version`` gave another verdict than ``now`` (job -> kind), in sentences."""
    from pipelines.words.jobs import board

    opened = open_model(workspace, shop, version)
    predictions, jobs = opened.predict_jobs(setups)
    lines = board(jobs, predictions, opened.catalogue.describe(setups))
    then = {line.name: line.kind for line in lines}
    return [
        f"{name}: {HEADLINES[kind].lower()}, by model {version} {HEADLINES[then[name]].lower()}."
        for name, kind in now.items()
        if then.get(name, kind) != kind
    ]


def _in_store(ledger: Ledger, day: str) -> Iterator[str]:
    for batch in ledger.batches:
        if batch.at >= day:
            by = f" by {batch.who}" if batch.who else ""
            told = brought(batch.counts)
            yield f"{minute(batch.at)}: batch {batch.id}, {batch.command}{by}: {told}."
    fresh = [d for d in ledger.decisions if d.at >= day]
    for what, n in Counter(d.what for d in fresh if d.print_id and d.what != "doubted").items():
        yield f"{counted(n, 'print')} {what}."
    for decision in fresh:
        if decision.what in ("taken back", "put back"):
            yield f"{minute(decision.at)}: batch {decision.batch} {decision.what}."


def _made(kept: Archive, version: str) -> str:
    """When a version was made; empty where it cannot be read."""
    with versions.damage_passed_over():
        return str(versions.described(kept, version).get("made", ""))
    return ""
