"""A name that nothing in its place is called: what is called so in another, and what would do."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipelines.tables.names import Known

# Table -> one thing of it, and what `strikeoff list` calls them all.
THINGS = {
    "inks": ("an ink", "inks"),
    "substrates": ("a garment", "garments"),
    "meshes": ("a screen", "screens"),
    "presses": ("a press", "presses"),
}


def of_another_kind(text: str, known: Known, table: str) -> tuple[str, str] | None:
    """What is wrong, and what to do, where ``text`` names one thing of another table than
    ``table``, by identifier or whole name; else None."""
    for other, names in known.items():
        found = names.find(text) if other != table else []
        whole = [e for e in map(names.entries.get, found) if e is not None]
        spoken = text.strip().casefold()
        for entry in whole if len(whole) == 1 else []:
            if spoken in (entry.id.casefold(), *map(str.casefold, entry.names)):
                what = f'"{text.strip()}" is the {entry.noun} {entry.called}'
                return what, f"name {THINGS[table][0]} here"
    return None


def where_listed(table: str) -> str:
    """Where all that could stand there is told."""
    return f"strikeoff list {THINGS[table][1]} names all there are"
