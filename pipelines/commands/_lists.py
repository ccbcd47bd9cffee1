"""Lists with commas where a command takes one thing or several."""

from __future__ import annotations

from collections.abc import Mapping

from pipelines.commands._options import SETUP_OPTIONS
from pipelines.tables.names import Names, table_of
from pipelines.tables.schema import SETUPS
from pipelines.tasks.named import split
from pipelines.workspace.problems import UserError
from pipelines.workspace.terminal import as_typed


def listed(texts: list[str], known: Names | None) -> list[str]:
    """The values of an option given once or often, as lists with commas or semicolons; a ``known``
    name or identifier with a comma in it is one value.

    >>> listed(["G01,G02", "G03;G04"], None)
    ['G01', 'G02', 'G03', 'G04']
    >>> from pipelines.tables.names import Entry
    >>> listed(["red, warm"], Names([Entry("C08", "ink", ("Red, warm",))]))
    ['red, warm']
    """
    values: list[str] = []
    for text in texts:
        whole = known is not None and known.find(text)
        values += [text.strip()] if whole else split(text)
    return list(dict.fromkeys(values))


def several_in(column: str, text: str, known: Mapping[str, Names]) -> list[str]:
    """The things, or the counts, that a list in the cell of one names; else none."""
    told = SETUPS.column(column)
    if told is not None and told.kind == "whole":
        counts = listed([text], None)
        return counts if all(map(str.isdecimal, counts)) else []
    names = known.get(table_of(column))
    several = [] if names is None else listed([text], names)
    return several if names is not None and all(map(names.find, several)) else []


def as_compared(cells: Mapping[str, str]) -> str:
    """The command that shows set-ups (column -> text or list) side by side, to be copied.

    >>> as_compared({"ink_id": "bright red", "substrate_id": "black,white", "strokes": "2"})
    'strikeoff compare "bright red" black,white --strokes 2'
    """
    named = [c for c in ("ink_id", "substrate_id") if cells.keys() >= {"ink_id", "substrate_id"}]
    words = [as_typed(cells[column]) for column in named]
    for column, text in cells.items():
        if column not in named:
            words += [SETUP_OPTIONS[column][0][0], as_typed(text)]
    return " ".join(["strikeoff compare", *words])


def refuse_several(
    command: str, cells: Mapping[str, str], known: Mapping[str, Names], also: str = ""
) -> None:
    """Refuse a list in the place of one thing of the set-up that ``command`` is about; ``also``:
    what else shows two, with {name} and {other}."""
    for column, text in cells.items():
        several = several_in(column, text, known)
        if len(several) > 1:
            option = SETUP_OPTIONS[column][0][0]
            beside = also.format(name=option.removeprefix("--"), other=several[1])
            raise UserError(
                f'{option} "{text}" names {len(several)}, and {command} is about one set-up: '
                "strikeoff compare, given the same words, shows them side by side"
                f"{beside if column != 'ink_id' else ''}."
            )
