"""What can be picked on the page: inks, garments, bases and screens by name, the usual first."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from learn.colour.colorimetry import srgb_hex
from pipelines.tables.names import BASE_INK, GARMENT, INK, MESH, PRESS, Names
from pipelines.tasks.cloth import cloth_fills

if TYPE_CHECKING:
    from pipelines.registry.opened import Opened

LATEST = 200  # prints by which something is in use now
FIRST = 8  # offered without typing


@dataclass(frozen=True)
class Choice:
    """One thing that can be picked."""

    id: str
    name: str  # what it is called; its identifier where that alone tells it from others
    more: str  # what is known of it besides
    fill: str | None = None  # its colour as #rrggbb

    @property
    def text(self) -> str:
        """What a field holds once it is picked: read back by name."""
        return self.name


@dataclass(frozen=True)
class Choices:
    """Everything that can be picked, by identifier, the usual and recent first."""

    inks: dict[str, Choice]
    garments: dict[str, Choice]
    bases: dict[str, Choice]
    screens: dict[str, Choice]
    presses: dict[str, Choice]

    @classmethod
    def of(cls, opened: Opened, prints: pd.DataFrame) -> Choices:
        """The choices of a shop with these prints."""
        known = opened.known

        def listed(table: str, column: str, nouns: Collection[str], fills: dict) -> dict:
            names = known[table]
            order = _in_use(prints, column, [i for i in names if names.noun(i) in nouns])
            return {one: _choice(one, names, fills) for one in order}

        inks = list(known["inks"])
        lab = opened.learnt.buckets(inks)[0]
        buckets = dict(zip(inks, srgb_hex(lab, opened.learnt.viewing_).tolist(), strict=True))
        cloths = cloth_fills(opened, known["substrates"])
        bases = (BASE_INK,)
        return cls(
            inks=listed("inks", "ink_id", (INK,), buckets)
            | listed("inks", "ink_id", bases, buckets),
            garments=listed("substrates", "substrate_id", (GARMENT,), cloths),
            bases=listed("inks", "underbase_ink_id", bases, buckets),
            screens=listed("meshes", "mesh_id", (MESH,), {}),
            presses=listed("presses", "press_id", (PRESS,), {}),
        )


def first_of(choices: dict[str, Choice], chosen: Collection[str]) -> list[Choice]:
    """The first few, and those ``chosen`` besides."""
    ids = list(dict.fromkeys([*list(choices)[:FIRST], *chosen]))
    return [choices[one] for one in ids if one in choices]


def _in_use(prints: pd.DataFrame, column: str, ids: list[str]) -> list[str]:
    """The most used of the latest prints first, then of all, then as the tables have them."""
    dated = prints.sort_values("printed_on", kind="stable", na_position="first")[column]
    order = [*dated.tail(LATEST).value_counts().index, *dated.value_counts().index, *ids]
    mine = set(ids)
    return [one for one in dict.fromkeys(order) if one in mine]


def _choice(one: str, names: Names, fills: dict[str, str]) -> Choice:
    entry = names.entries[one]
    if entry.noun == MESH:  # by what stands on its frame
        count = entry.names[0] if entry.names and entry.names[0] not in one else ""
        return Choice(one, one, count, fills.get(one))
    name = entry.names[0] if entry.names else one
    told = [entry.further] if entry.further else []
    alike = [e for e in names.entries.values() if e.names and e.names[0] == name]
    called = name if len(alike) < 2 else names.label(one)
    more = ", ".join([*told, *([one] if one not in called else [])])
    return Choice(one, called, more, fills.get(one))
