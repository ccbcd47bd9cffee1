"""What prints that wait for a decision leave in doubt, as it is told."""

from __future__ import annotations

from pipelines.workspace.folders import Workspace


def in_doubt_now(workspace: Workspace, shop: str) -> list[str]:
    """Of a shop as its tables are now, by the model in charge."""
    from pipelines.registry.opened import open_model
    from pipelines.words.waiting import waiting_lines

    opened = open_model(workspace, shop)
    return list(waiting_lines(opened.in_doubt, opened.catalogue.things()))
