"""Where a shop's models lie: one interface to versions, which is in charge, and the report card.

A shop in files keeps them in its folder (`in_folder`), a shop on a server in its database
(`in_database`). An archive keeps bytes; what they mean is told by `versions` and `report_card`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from pipelines.registry.in_folder import InFolder
from pipelines.registry.sealed import Named
from pipelines.workspace.folders import Workspace


class Archive(Protocol):
    """What keeps a shop's models. Raises UserError where it cannot be reached."""

    def where(self, part: str = "") -> str:
        """What to call it in a message, or a part of it: a version, `CURRENT` or `CARD`."""

    def names(self) -> list[str]:
        """All stored versions, oldest first."""

    def facts(self, name: str) -> bytes:
        """A version's JSON, as it is; raises OSError or ValueError where it cannot be read."""

    def arrays(self, name: str, sha256: str) -> bytes:
        """Its arrays, whose checksum is known; raises as `facts` where they are not these."""

    def sealed(self, name: str) -> str:
        """The seal it was stored with; raises as `facts`."""

    def current(self) -> Named | None:
        """Which version was put in charge, and its seal then; None where nothing was learnt.

        Raises UserError where that cannot be told.
        """

    def mark(self) -> str:
        """Another text whenever a version is put in charge, also where `current` cannot tell."""

    def waiting(self) -> list[str]:
        """Versions judged worth it by a program that was killed before they were in charge."""

    def add(self, facts: bytes, arrays: bytes, *, charge: bool, mark: str | None = None) -> str:
        """Store the next version, put it in charge at one go if wanted, return its name.

        With a ``mark``, raises Overtaken, nothing stored, if that is not the present one.
        """

    def put_in_charge(self, name: str, mark: str | None = None) -> str:
        """Let a stored version predict from now on; the mark of that. ``mark`` as of `add`."""

    def card(self) -> bytes:
        """The lines of the report card; raises UserError where they are not what was written."""

    def add_to_card(self, more: Callable[[bytes], list[str] | None]) -> bool:
        """Add the lines that ``more`` makes of those there; False where it made None."""


def archive_of(workspace: Workspace, shop: str) -> Archive:
    """Where the models of a shop lie: beside its database file, or in its database on a server."""
    source, folder = workspace.database(shop), workspace.models(shop)
    if isinstance(source, Path):
        return InFolder(folder)
    from pipelines.registry.in_database import InDatabase  # slow to import: files do without it

    return InDatabase(source, folder)
