"""A workspace: the folder that holds ``datasets/<shop>/`` and ``models/<shop>/``."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

from pipelines.problems import UserError

VARIABLE = "STRIKEOFF_WORKSPACE"


@dataclass(frozen=True)
class Workspace:
    """Where things lie; nothing is created here."""

    root: Path

    @classmethod
    def find(cls, given: str | None = None) -> Workspace:
        """The folder given, else that of STRIKEOFF_WORKSPACE, else the current one."""
        root = Path(given or os.environ.get(VARIABLE) or ".")
        if root.is_file():
            raise UserError(f"{root}: is a file; name the folder that is the workspace.")
        if not root.is_dir():
            raise UserError(f"{root}: there is no such workspace folder; make it first.")
        return cls(root)

    def shops(self) -> list[str]:
        """Names of the shops that have been imported, sorted."""
        return sorted(path.parent.name for path in self.root.glob("datasets/*/shop.db"))

    def pick(self, name: str | None = None) -> str:
        """The shop of that name, or the only one there is.

        Raises UserError when there is none, or several and no name.
        """
        shops = self.shops()
        if name in shops:
            return name
        place = f"the workspace {self.root.absolute()}"
        if not shops:
            raise UserError(
                f"No shop in {place} yet; run strikeoff import TABLES_DIR, or strikeoff demo."
            )
        if name is not None:
            raise UserError(f'No shop "{name}" in {place}; it holds {", ".join(shops)}.')
        if len(shops) > 1:
            raise UserError(f"{place} holds {', '.join(shops)}; say which one with --shop NAME.")
        return shops[0]

    def database(self, shop: str) -> Path:
        return self.root / "datasets" / shop / "shop.db"

    def reports(self, shop: str) -> Path:
        return self.root / "datasets" / shop / "reports"

    def models(self, shop: str) -> Path:
        return self.root / "models" / shop


def checked_name(name: str) -> str:
    """A shop's name if it can be a folder's: letters, digits, - _ and . inside."""
    if not re.fullmatch(r"\w[\w.-]{0,63}", name):
        raise UserError(
            f'"{name}" cannot be a shop\'s name; use letters, digits, - and _, without spaces.'
        )
    return name


def name_from(text: str) -> str:
    """A folder name out of free text: ``North Street Prints`` -> ``north-street-prints``."""
    return re.sub(r"[^\w]+", "-", text.lower()).strip("-_")[:64] or "shop"
