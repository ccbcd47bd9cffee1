"""The heads of columns as programs dress them: L*(D65/10), a* SCI, b*(D50/2)."""

from __future__ import annotations

import re
from dataclasses import replace

from pipelines.measured import facts as declared
from pipelines.measured.block import Block, listed

_AXIS = re.compile(r"((?:cie[\s_-]*)?(?:lab[\s_-]*)?[lab]\*?|(?:cie[\s_-]*)?[XYZ])", re.IGNORECASE)
_DRESSED = re.compile(rf"{_AXIS.pattern}\s*[\s([,_]\s*([^()\[\]]+?)\s*[)\]]?", re.IGNORECASE)
_KNOWN = ("illuminant", "observer", "specular", "measurement_condition")


def undressed(block: Block, shop: tuple[str, str], said: list[str]) -> Block:
    """The table with the names of Lab and XYZ alone over their columns, and as facts what else
    stood there. Of several lights the ``shop``'s, of several glosses the one without it is kept.
    """
    groups: dict[tuple[tuple[str, str], ...], dict[str, str]] = {}
    for name in block.cells.columns:
        if (found := _DRESSED.fullmatch(name.strip())) and (told := _told(found[2])):
            groups.setdefault(tuple(told.items()), {})[name] = found[1].strip()
    if not groups:
        return block
    plain = {name for name in block.cells.columns if _AXIS.fullmatch(name.strip())}

    def rank(told: tuple[tuple[str, str], ...]) -> tuple[bool, bool]:
        facts = dict(told)
        light = facts.get("illuminant", shop[0]), facts.get("observer", shop[1])
        return light != shop, facts.get("specular") == "included"

    best = min(groups, key=rank)
    if any(rank(best)) and plain:
        return block  # the undressed ones are meant; these are left aside, and told
    aside = [name for told, names in groups.items() if told != best for name in names]
    aside += sorted(plain)
    if aside:
        said.append(f"Of several kinds of colour {listed(groups[best])} are taken.")
    cells = block.cells.drop(columns=aside).rename(columns=groups[best])
    return replace(block, cells=cells, facts=block.facts | dict(best))


def bare(name: str) -> str:
    """The name without what else stands beside an axis of Lab or XYZ."""
    found = _DRESSED.fullmatch(name.strip())
    return found[1].strip() if found and _told(found[2]) else name


def _told(words: str) -> dict[str, str]:
    """What words beside the name of an axis tell; nothing where they are about something else."""
    told = {}
    for fact in _KNOWN:
        if found := declared.found_in(fact, words):
            told[fact] = " or ".join(sorted(found))
    return told
