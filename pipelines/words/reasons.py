"""Why a line of a plan prints as it does, and what is in the way of a target, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import pandas as pd

from learn.colour.looks import looks_beside
from learn.planning.plan import Plan
from learn.planning.reasons import Reason, Why
from learn.shop import UNDERBASE
from pipelines.words.common import Names, chance, named

REASONS = {
    Why.MORE_INK: "{value:.0f} um of ink, not {usual:.0f}: less of what lies beneath shows",
    Why.LESS_INK: "{value:.0f} um of ink, not {usual:.0f}: more of what lies beneath shows",
    Why.HIDES_MORE: "{ink}, so laid, hides more of what lies beneath",
    Why.HIDES_LESS: "{ink}, so laid, lets more of what lies beneath show",
    Why.ONE_GROUND: "the base makes the garments more alike under the ink",
    Why.NO_BASE: "no base to print, flash and register",
    Why.LIGHTER_GROUND: "a lighter ground under the ink (L {value:.0f}, not {usual:.0f})",
    Why.DARKER_GROUND: "a darker ground under the ink (L {value:.0f}, not {usual:.0f})",
    Why.OTHER_INK: "{ink} is {looks} in the bucket{lands}",
    Why.NO_CHANCE: "Nothing lands",
    Why.SMALL_CHANCE: "Nothing is expected to land, at best a chance of {chance}",
    Why.NEAREST: "the nearest of these is {value:.1f} dE00 off on {subject}, {looks} (tolerance "
    "{tolerance:g})",
    Why.NOT_WITH_ONE: "each garment can be reached by itself, but not all with one set-up",
    Why.OUT_OF_REACH: "even by itself no set-up reaches: {each}",
    Why.HARD_TO_REACH: "even by itself at best a chance of: {chances}",
    Why.NO_BUCKET: "no ink allowed has this colour in the bucket (nearest: {ink}, {value:.1f} "
    "dE00, {looks}); a mix may reach it: strikeoff mix",
    Why.MOST_INK: "the nearest already lays the most ink allowed ({value:.0f} um), and more {ink} "
    "would come nearer: allow a coarser mesh or more strokes",
    Why.LEAST_INK: "the nearest already lays the least ink allowed ({value:.0f} um), and less "
    "{ink} would come nearer: allow a finer mesh",
}


class PlanWords(NamedTuple):
    """Words about the lines of one plan; ``names``: ink -> what the shop calls it; ``presses``
    and ``garments`` the same of these."""

    plan: Plan
    names: Names
    presses: Names | None = None
    garments: Names | None = None

    def changes(self, line: Mapping) -> str:
        """What a line changes from the usual set-up."""
        said = [self._change(what, line, self.plan.usual) for what in line["changes"]]
        return "; ".join(said) or "nothing: the usual set-up"

    def why(self, line: Mapping) -> str:
        """Why it prints otherwise than the usual set-up; empty where nothing stands out."""
        return "; ".join(self._reason(one, self._lands(line)) for one in line["why"])

    def _lands(self, line: Mapping) -> str:
        """What becomes in print of an ink that looks otherwise in the bucket."""
        if line["worst_dE00"] > self.plan.tolerance:
            return ""
        return ", but should land in print" if line["p_all"] >= 0.5 else ", but may land in print"

    def usual_miss(self) -> str:
        """How far the usual set-up is off on the garment that comes out worst, and how it looks."""
        missed = self.plan.usual_colours.nlargest(1, "dE00").iloc[0]
        looks = looks_words(looks_beside(missed[["L", "a", "b"]], self.plan.target))
        return f"{missed['dE00']:.1f} dE00 off on {self._cloth(missed['substrate_id'])}: {looks}"

    def in_the_way(self) -> str:
        """Why no line lands, as a sentence; empty where one does."""
        if not self.plan.in_the_way:
            return ""
        first, *others = (self._reason(one) for one in self.plan.in_the_way)
        return f"{first}: {'; '.join(others)}."

    def misses(self) -> tuple[str, str]:
        """The same in two: by how much the nearest line misses, and all else that is in the way,
        which may be nothing."""
        first, nearest, *others = (self._reason(one) for one in self.plan.in_the_way)
        rest = "; ".join(others)
        return f"{first}: {nearest}.", f"{rest[:1].upper()}{rest[1:]}." if rest else ""

    def _cloth(self, garment: str) -> str:
        return named(garment, (self.garments or {}).get(garment))

    def _reason(self, one: Reason, lands: str = "") -> str:
        return REASONS[one.why].format(
            subject=self._cloth(one.subject),
            ink=ink_words(one.subject, self.names),
            value=one.value,
            usual=one.usual,
            looks=looks_words(one.looks),
            chance=chance(one.value),
            each=", ".join(f"{self._cloth(on)} {off:.1f}" for on, off in one.each),
            chances=", ".join(f"{self._cloth(on)} {chance(p)}" for on, p in one.each),
            lands=lands if one.looks else "",
            tolerance=self.plan.tolerance,
        )

    def _change(self, what: str, line: Mapping, usual: Mapping) -> str:
        if what == "ink":
            return (
                f"ink {ink_words(line['ink_id'], self.names)} "
                f"instead of {ink_words(usual['ink_id'], self.names)}"
            )
        if what == "strokes":
            strokes = strokes_words(line["strokes"], line["flash_count"])
            usually = strokes_words(usual["strokes"], usual["flash_count"])
            return f"{strokes} instead of {usually}"
        if what == "base":
            return self._base(line, usual)
        mine, theirs = (one[f"{what}_id"] for one in (line, usual))
        if what == "press":
            mine, theirs = (named(one, (self.presses or {}).get(one)) for one in (mine, theirs))
        return f"{what} {mine} instead of {theirs}"

    def _base(self, line: Mapping, usual: Mapping) -> str:
        """What a line changes of the base."""
        garments, ink = self.plan.garments, UNDERBASE[0]
        mine = base_words(line, garments, self.names, self.garments)
        if not usual["base_on"]:
            return mine
        if not line["base_on"]:
            return f"no base; usually over {ink_words(usual[ink], self.names)}"
        same = line[ink] == usual[ink]
        if same:
            theirs = _laid(usual, garments, self.garments)
        else:
            theirs = base_words(usual, garments, self.names, self.garments)
        return f"{mine}, instead of {theirs}"


def base_words(
    line: Mapping, garments: list[str], names: Names, cloths: Names | None = None
) -> str:
    """The base of a line: what, through which mesh, how often, on which garments; ``cloths``:
    what the shop calls these."""
    if not line["base_on"]:
        return "no base"
    return f"base {ink_words(line[UNDERBASE[0]], names)} {_laid(line, garments, cloths)}"


def _laid(line: Mapping, garments: list[str], cloths: Names | None) -> str:
    mesh, strokes = (line[c] for c in UNDERBASE[1:])
    said = strokes_words(1 if pd.isna(strokes) else strokes, 0)
    all_on = len(line["base_on"]) == len(garments)
    called = [named(one, (cloths or {}).get(one)) for one in line["base_on"]]
    where = "" if all_on else f" on {', '.join(called)} only"
    return f"through {mesh}, {said}{where}"


def looks_words(looks: tuple[str, ...]) -> str:
    """How a colour looks beside another."""
    return ", ".join(looks) or "about right"


def ink_words(ink: str, names: Names) -> str:
    """Name and id of an ink."""
    return named(ink, names.get(ink))


def strokes_words(strokes: float, flashes: float) -> str:
    """Strokes and flashes as the press floor says them.

    Examples
    --------
    >>> strokes_words(2, 1)
    'print-flash-print'
    >>> strokes_words(2, 0), strokes_words(3, 1)
    ('2 strokes', '3 strokes with 1 flash between')
    """
    if strokes == 2 and flashes == 1:
        return "print-flash-print"
    words = f"{strokes:g} stroke{'' if strokes == 1 else 's'}"
    if flashes and not pd.isna(flashes):
        words += f" with {flashes:g} flash{'' if flashes == 1 else 'es'} between"
    return words
