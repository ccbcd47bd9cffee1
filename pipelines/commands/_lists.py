"""Lists with commas where a command takes one thing or several."""

from __future__ import annotations

from collections.abc import Mapping

from pipelines.commands._options import SETUP_OPTIONS
from pipelines.tables.names import Names, table_of
from pipelines.workspace.problems import UserError


def listed(texts: list[str], known: Names | None) -> list[str]:
    """The values of an option given once or often, as lists with commas; a ``known`` name or
    identifier with a comma in it is one value.

    >>> listed(["G01,G02", "G03"], None)
    ['G01', 'G02', 'G03']
    >>> from pipelines.tables.names import Entry
    >>> listed(["red, warm"], Names([Entry("C08", "ink", ("Red, warm",))]))
    ['red, warm']
    """
    values: list[str] = []
    for text in texts:
        whole = known is not None and known.find(text)
        values += [text.strip()] if whole else [v.strip() for v in text.split(",") if v.strip()]
    return list(dict.fromkeys(values))


def refuse_several(
    command: str, cells: Mapping[str, str], known: Mapping[str, Names], also: str = ""
) -> None:
    """Refuse a list in the place of one thing of the set-up that ``command`` is about; ``also``:
    what else shows two, with {name} and {other}."""
    for column, text in cells.items():
        names = known.get(table_of(column))
        several = [] if names is None else listed([text], names)
        if names is not None and len(several) > 1 and all(map(names.find, several)):
            option = SETUP_OPTIONS[column][0][0]
            beside = also.format(name=option.removeprefix("--"), other=several[1])
            raise UserError(
                f'{option} "{text}" names {len(several)}, and {command} is about one set-up: '
                "strikeoff compare, given the same words, shows them side by side"
                f"{beside if column != 'ink_id' else ''}."
            )
