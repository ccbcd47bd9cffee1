"""Shops drawn once into parts: to choose on, to check, and a last one for the release; and large
shops, which take ten times as long.

No choice may be made on the last part or on the large shops, and few on the second part.
"""

from __future__ import annotations

from typing import NamedTuple


class Which(NamedTuple):
    """One shop to draw."""

    seed: int
    size: int
    kind: str


class Group(NamedTuple):
    """One group of plants to draw: ``sizes`` of their histories, the plant that begins first."""

    seed: int
    sizes: tuple[int, ...]
    kind: str


PARTS: dict[str, tuple[Which, ...]] = {
    "choose": (
        *(Which(1001 + i, 500, "plastisol") for i in range(3)),
        *(Which(1101 + i, 300, "water") for i in range(3)),
        *(Which(1201 + i, 60, "few") for i in range(4)),
    ),
    "check": (
        *(Which(2001 + i, 600, "plastisol") for i in range(3)),
        *(Which(2101 + i, 300, "water") for i in range(3)),
        *(Which(2201 + i, 60, "few") for i in range(4)),
    ),
    "last": (
        *(Which(3001 + i, 800, "plastisol") for i in range(5)),
        *(Which(3101 + i, 400, "water") for i in range(5)),
        *(Which(3201 + i, 60, "few") for i in range(6)),
    ),
    "large": tuple(Which(3401 + i, 6000, "plastisol") for i in range(4)),
}

# Plants of one group (`tests.worlds.group`): the first has just begun.
GROUPS: dict[str, tuple[Group, ...]] = {
    part: (
        *(Group(seed + 1 + i, (60, 300, 220), "plastisol") for i in range(n)),
        *(Group(seed + 51 + i, (60, 300, 220), "water") for i in range(n)),
    )
    for part, seed, n in (("choose", 1300, 4), ("check", 2300, 4), ("last", 3300, 6))
}
