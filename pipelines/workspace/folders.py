"""A workspace: the folder that holds ``datasets/<shop>/`` and ``models/<shop>/``."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pipelines.workspace.files import write_text
from pipelines.workspace.problems import Kind, UserError

VARIABLE = "STRIKEOFF_WORKSPACE"
FILE, URL = "shop.db", "database.url"


@dataclass(frozen=True)
class Workspace:
    """Where things lie; nothing is created here.

    ``urls``: databases of shops that are named elsewhere than in the folder.
    """

    root: Path
    urls: Mapping[str, str] = field(default_factory=dict, hash=False)

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
        found = self.root.glob("datasets/*")
        there = os.path.lexists  # a link to nothing is told where it is read
        here = {f.name for f in found if there(f / FILE) or there(f / URL)}
        return sorted(here | set(self.urls))

    def pick(self, name: str | None = None) -> str:
        """The shop of that name, or the only one there is.

        Raises UserError when there is none, or several and no name.
        """
        shops = self.shops()
        if name in shops:
            return name
        place = f"the workspace {self.root.absolute()}"
        for lost in self.lost():
            if name in (None, lost):
                raise UserError(self._missing(lost, shops), Kind.DAMAGED)
        if not shops:
            raise UserError(
                f"No shop in {place} yet: strikeoff import TABLES takes its tables in, strikeoff "
                "start FOLDER writes an empty workbook for them, strikeoff demo invents one."
            )
        if name is not None:
            raise UserError(f'No shop "{name}" in {place}; it holds {", ".join(shops)}.')
        if len(shops) > 1:
            raise UserError(f"{place} holds {', '.join(shops)}; say which one with --shop NAME.")
        return shops[0]

    def lost(self) -> list[str]:
        """Names of shops whose models or reports are there and whose data are not."""
        traces = ("models/*/CURRENT", "models/*/[0-9]*", "datasets/*/reports")
        found = {path.parent.name for trace in traces for path in self.root.glob(trace)}
        return sorted(found.difference(self.shops()))

    def _missing(self, shop: str, others: list[str]) -> str:
        file = self.root / "datasets" / shop / FILE
        said = (
            f"{file}: is missing, though models or reports of shop {shop} are still there; put the "
            f"file back from a copy, or import what was exported: strikeoff import TABLES_DIR "
            f"--shop {shop}"
        )
        return said + (f"; for another shop say --shop {others[0]}." if others else ".")

    def database(self, shop: str) -> Path | str:
        """The shop's database file, or the URL that stands in ``database.url`` beside it."""
        if shop in self.urls:
            return self.urls[shop]
        folder = self.root / "datasets" / shop
        try:
            url = (folder / URL).read_text(encoding="utf-8").strip()
        except FileNotFoundError:
            file = folder / FILE
            if os.path.lexists(file) and not file.is_file():
                raise UserError(
                    f"{file}: is no database but a folder, a link to nothing or a device; move it "
                    "away, then put back a copy or run strikeoff import."
                ) from None
            return file
        except UnicodeDecodeError:
            url = ""
        if "://" not in url or len(url.splitlines()) != 1:
            raise UserError(
                f"{folder / URL}: write the URL of the shop's database into it, one line such as "
                "postgresql://user@server/shop."
            )
        return url

    def refuse_server(self, shop: str, url: str) -> None:
        """Raises UserError when the shop's data lie elsewhere than at the URL already."""
        folder = self.root / "datasets" / shop
        if (folder / FILE).is_file():
            raise UserError(
                f"{folder / FILE}: the shop's data lie in this file; export them, move the file "
                "away and import the export with --database. Who brought in what, batch by batch, "
                "stays behind in the file."
            )
        if (folder / URL).is_file() and self.database(shop) != url:
            raise UserError(f"{folder / URL}: names another database; correct it there.")

    def on_server(self, shop: str) -> bool:
        """Whether the shop's data lie on a server by what was said here before."""
        return (self.root / "datasets" / shop / URL).is_file()

    def use_server(self, shop: str, url: str) -> None:
        """Let the shop's data lie in the database of that URL from now on."""
        write_text(self.root / "datasets" / shop / URL, url + "\n", secret=True)

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
