"""Options of a command that name inks, garments and screens, as identifiers."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import TypeVar

from pipelines.tables.names import Known, found_in, resolved, table_of

T = TypeVar("T")


class Named:
    """Takes what options say as identifiers; ``said`` tells how names were read."""

    def __init__(self, known: Known) -> None:
        self._known = known
        self.said: list[str] = []

    def one(self, option: str, text: str, column: str) -> str:
        """The identifier that goes into ``column`` of a set-up; raises UserError without one."""
        return resolved(option, text, self._known, column, self.said)

    def several(self, option: str, texts: Iterable[str], column: str) -> list[str]:
        """The same of an option given several times, or once as ``G01,G02``."""
        names, apart = self._known[table_of(column)], []
        for text in texts:
            whole = found_in(text, names, table="setups", column=column)  # a name with a comma
            apart += [text] if whole else split(text)
        return [self.one(option, text, column) for text in apart]

    def keyed(self, option: str, given: Mapping[str, T], column: str) -> dict[str, T]:
        """The same of what stands before the = of ``INK=VALUE``."""
        return {self.one(option, text, column): value for text, value in given.items()}

    def cells(self, options: Mapping[str, str], given: Mapping[str, str]) -> dict[str, str]:
        """A set-up of options, column -> text, with the identifiers for its names."""
        return {
            column: self.one(options[column], text, column)
            if table_of(column) and text.strip()
            else text
            for column, text in given.items()
        }


def split(text: str) -> list[str]:
    """``G01,G02`` or ``G01;G02`` as the two; a text without either as itself."""
    return [part.strip() for part in re.split("[,;]", text) if part.strip()] or [text]
