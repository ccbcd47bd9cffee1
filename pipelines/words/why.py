"""What moves a print away from its bucket, or from another print, in press words."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import NamedTuple

from learn.colour.looks import looks_beside
from learn.predict.shares import MOVERS, Mover, Shares, largest
from pipelines.words.common import number, perhaps
from pipelines.words.prediction import known, setup_words
from pipelines.words.verdict import TOO_LITTLE

WIDTH = 88
STILL_dE00 = 0.5  # a way as short as this needs no explanation; common practice, no source
TOLD_dE00 = 0.3  # shares from which a sentence names them
FILM = "The film counts only where it is thinner than one stroke through the middle mesh lays it."
ORDER = (
    "Every share is what its cause changes on the way from the bucket, one after the other: lot, "
    "what past prints have taught, base, cloth, film, dye from the cloth, press."
)
ORDERS = (
    f"{ORDER} Between two prints it is averaged over all orders in which the causes can come, so "
    "that the shares add up."
)
LEARNT = "what past prints have taught beyond these"


class Row(NamedTuple):
    """One share of a way."""

    words: str
    dE00: float  # along the way; below 0 it goes back
    lab: tuple[float, float, float]
    sure: bool = True  # whether it surely moves the print that way

    @property
    def label(self) -> str:
        """Its words in a table or a chart."""
        return self.words if self.sure else f"{self.words} (not sure)"


def rows_of(shares: Shares, setup: Mapping, beside: Mapping | None = None) -> list[Row]:
    """The shares worth a line, the largest first, and all others in one, so that they add up."""
    names = names_of(setup, beside)
    told = largest(shares)
    rows = [
        Row(
            names[MOVERS[k]],
            float(shares.dE00[k]),
            tuple(shares.lab[k]),
            bool(shares.surely[k]),
        )
        for k in told
    ]
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
        Mover.MIGRATION: "dye migrating from the cloth into the print",
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
    causes = [row for row in rows if row.dE00 >= TOLD_dE00]
    more = [row for row in causes[1:] if row.sure][:1]
    back = [row for row in rows if row.dE00 <= -TOLD_dE00 and row.sure][:1]
    told = f"{number(total)} dE00 from {away_from}{how}"
    if not causes:
        return f"{told}, by many small things."
    first, maybe = causes[0], "" if causes[0].sure else "perhaps "
    said = f"{number(first.dE00)} of the {number(total)} {maybe}come from {first.words}"
    if first.dE00 > total:
        said = f"{_subject(first)} alone {maybe}makes {number(first.dE00)}"
        said += "".join(f", and {_subject(row)} {number(row.dE00)} more" for row in more)
    else:
        said += "".join(f", {number(row.dE00)} from {row.words}" for row in more)
    said += "".join(f"; {_subject(row)} takes {number(-row.dE00)} away" for row in back)
    return f"{told}: {said}."


def _subject(row: Row) -> str:
    """A share at the head of its phrase: ``White base (U1) through mesh M61-64, as base,``."""
    return f"{row.words}," if "," in row.words else row.words


def reckoned_bucket() -> str:
    """Of a print whose ink was never measured at full hiding."""
    return (
        "The bucket itself was never measured; its colour is reckoned from thinner films. A "
        "reading of one that hides whatever lies beneath makes this surer."
    )


def base_sentence(off_dE00: float, with_dE00: float, base: str, p_nearer: float) -> str:
    """What the shop's usual base would do to a print without one; ``p_nearer``: the chance that
    it brings the print nearer to the bucket."""
    change = off_dE00 - with_dE00
    there = f"{number(with_dE00)} dE00 from the bucket"
    if abs(change) < TOLD_dE00:
        return f"With a base, {base}, it would lie about as far off: {there}."
    maybe = perhaps(p_nearer if change > 0 else 1 - p_nearer)
    does = f"takes {number(change)} of them away" if change > 0 else f"adds {number(-change)}"
    return f"A base, {base}, {maybe}{does}: {there}."


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
        lines.append(f"  {number(row.dE00):>6}  {L:>6} {a:>6} {b:>6}  {row.label}")
    return "\n".join(lines)
