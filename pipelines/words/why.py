"""What moves a print away from its bucket, or from another print, in press words."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import NamedTuple

from learn.colour.looks import looks_beside
from learn.predict.shares import MOVERS, Mover, Shares, largest
from pipelines.words.common import number
from pipelines.words.prediction import known, setup_words
from pipelines.words.verdict import TOO_LITTLE

WIDTH = 88
STILL_dE00 = 0.5  # a way as short as this needs no explanation; common practice, no source
TOLD_dE00 = 0.3  # shares from which a sentence names them
FILM = "The film counts only where it is thinner than one stroke through the middle mesh lays it."
LEARNT = "what past prints have taught beyond these"


class Row(NamedTuple):
    """One share of a way."""

    words: str
    dE00: float  # along the way; below 0 it goes back
    lab: tuple[float, float, float]


def rows_of(shares: Shares, setup: Mapping, beside: Mapping | None = None) -> list[Row]:
    """The shares worth a line, the largest first, and all others in one, so that they add up."""
    names = names_of(setup, beside)
    told = largest(shares)
    rows = [Row(names[MOVERS[k]], float(shares.dE00[k]), tuple(shares.lab[k])) for k in told]
    rest = [k for k in range(len(MOVERS)) if k not in told]
    if rest and abs(shares.lab[rest]).max() > 0.005:
        lab = tuple(shares.lab[rest].sum(axis=0))
        rows.append(Row("all else", float(shares.dE00[rest].sum()), lab))
    return rows


def names_of(setup: Mapping, beside: Mapping | None = None) -> dict[Mover, str]:
    """What each mover is called of this print, or of two."""
    cells = dict(setup_words(setup))
    return {
        Mover.CLOTH: f"{_cloth(setup)} showing through",
        Mover.BASE: _base(setup, beside),
        Mover.FILM: f"the film of {cells['Screen']}",
        Mover.WET_OUT: "the cloth, darker where ink wets it",
        Mover.SOAK: "ink soaked into the cloth",
        Mover.DISCHARGE: "dye discharged from the cloth",
        Mover.MIGRATION: "dye migrating from the cloth into the print",
        Mover.SURFACE: "the surface, more or less matt",
        Mover.LOT: f"lot {known(setup, 'ink_lot') or 'not given'} of the ink",
        Mover.PRESS: "the press and its settings",
        Mover.LEARNT: LEARNT,
    }


def _cloth(setup: Mapping) -> str:
    colour = known(setup, "colour_name")
    return f"the {str(colour).lower()} cloth" if colour else f"garment {setup['substrate_id']}"


def _base(setup: Mapping, beside: Mapping | None) -> str:
    if known(setup, "underbase_ink_id") is not None:
        return f"{dict(setup_words(setup))['Base']}, as base"
    if beside is not None and known(beside, "underbase_ink_id") is not None:
        return "no base where the other has one"
    return "no base"


def unknown() -> str:
    """Of a print of which too little is known to tell what moves it."""
    return f"{TOO_LITTLE}; what is usual of such inks and cloths moves it so."


def sentence(shares: Shares, rows: list[Row], away_from: str) -> str:
    """``16.0 dE00 from the bucket, darker: 14.1 of them come from the navy cloth showing through``;
    ``away_from``: the bucket, or the other print."""
    total = shares.total_dE00
    if total < STILL_dE00:
        return f"Hardly moves: {number(total)} dE00 from {away_from}."
    looks = looks_beside(shares.end, shares.start)
    how = f", {', '.join(looks)}" if looks else ""
    causes = [row for row in rows if row.dE00 >= TOLD_dE00][:2]
    back = [row for row in rows if row.dE00 <= -TOLD_dE00][:1]
    told = f"{number(total)} dE00 from {away_from}{how}"
    if not causes:
        return f"{told}, by many small things."
    first, *more = causes
    said = f"{number(first.dE00)} of the {number(total)} come from {first.words}"
    if first.dE00 > total:
        said = f"{first.words} alone makes {number(first.dE00)}"
    said += "".join(f", {number(row.dE00)} from {row.words}" for row in more)
    said += "".join(f"; {row.words} takes {number(-row.dE00)} away" for row in back)
    return f"{told}: {said}."


def base_sentence(off_dE00: float, with_dE00: float, base: str) -> str:
    """What the shop's usual base would do to a print without one."""
    change = off_dE00 - with_dE00
    there = f"{number(with_dE00)} dE00 from the bucket"
    if abs(change) < TOLD_dE00:
        return f"A base, {base}, changes hardly anything: {there}."
    does = f"takes {number(change)} of them away" if change > 0 else f"adds {number(-change)}"
    return f"A base, {base}, {does}: {there}."


def without_base_sentence(off_dE00: float) -> str:
    """What would be without the base of a print that has one."""
    return f"Without the base it would lie {number(off_dE00)} dE00 from the bucket."


def block(shares: Shares, rows: list[Row], said: list[str]) -> str:
    """One way as plain text: sentences, then the shares with their sum."""
    lines = [line for one in said for line in textwrap.wrap(one, WIDTH)]
    lines.append(f"  {'dE00':>6}  {'L':>6} {'a':>6} {'b':>6}")
    whole = Row("together", shares.total_dE00, tuple(shares.end - shares.start))
    for row in (*rows, whole):
        L, a, b = (number(v) for v in row.lab)
        lines.append(f"  {number(row.dE00):>6}  {L:>6} {a:>6} {b:>6}  {row.words}")
    return "\n".join(lines)
