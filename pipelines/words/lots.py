"""Batches of ink that print otherwise than those before, in the words of the press floor."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING

from learn.normal import Z90
from learn.shop import NEW_LOT
from pipelines.words.common import Names, counted, named

if TYPE_CHECKING:
    from learn.planning.next_test import Unproven
    from learn.predict.lots import Carded, Lot

MOST = 8  # sentences; the largest differences first
SHOWN_JOBS = 4
# What "stronger" and "weaker" say already.
SAID = {True: "darker", False: "lighter"}


def lot_lines(lots: Collection[Lot], names: Names) -> Iterator[str]:
    """A sentence for each of ``lots`` that is news; ``names``: of inks."""
    found = sorted((lot for lot in lots if lot.news), key=lambda lot: -lot.dE00)
    yield from (lot_sentence(lot, names) for lot in found[:MOST])
    if len(found) > MOST:
        yield f"And {counted(len(found) - MOST, 'more lot')} that print otherwise, but by less."


def carded_sentence(carded: Carded, names: Names) -> str:
    """``Bright red (C08), lot 24-06, is not printed yet; a card of it says it is 12 % stronger
    (90 % band 5 to 19 %) than the ink's other cards.``"""
    ink = named(carded.ink, names.get(carded.ink))
    size, half = abs(carded.percent), Z90 * carded.percent_sd
    beside = f"lot {carded.beside}" if carded.beside else "the ink's other cards"
    if size > half:
        more = "stronger" if carded.percent > 0 else "weaker"
        band = f"(90 % band {size - half:.0f} to {size + half:.0f} %)"
        says = f"{size:.0f} % {more} {band} than {beside}"
    else:
        says = f"as strong as {beside}, within {size + half:.0f} %"
    return f"{ink}, lot {carded.lot}, is not printed yet; a card of it says it is {says}."


def unproven_lines(lots: Collection[Unproven], names: Names) -> Iterator[str]:
    """``Lot 24-06 of Bright red (C08) was never printed: a test print of S4 narrows S7 and S9 as
    well.``"""
    for one in list(lots)[:MOST]:
        which = "A new lot" if one.lot == NEW_LOT else f"Lot {one.lot}"
        was = "was printed only once" if one.prints else "was never printed"
        head, *others = one.jobs
        told = f"a test print of {head} tells how it prints"
        if others:
            told = f"a test print of {head} narrows {some_jobs(others)} as well"
        yield f"{which} of {named(one.ink, names.get(one.ink))} {was}: {told}."
    if len(lots) > MOST:
        yield f"And {counted(len(lots) - MOST, 'more lot')} never printed, or once."


def some_jobs(jobs: Sequence[str]) -> str:
    """``S7, S9 and 3 more``."""
    left = len(jobs) - SHOWN_JOBS
    *first, last = [*jobs[:SHOWN_JOBS], *([f"{left} more"] if left > 0 else [])]
    return f"{', '.join(first)} and {last}" if first else last


def lot_sentence(lot: Lot, names: Names) -> str:
    """``Bright red (C08), lot I24-06, prints 26 % stronger (90 % band 19 to 33 %) and redder than
    the lots before, 3.1 dE00 on a usual print of it; 12 prints agree.``"""
    ink = named(lot.ink, names.get(lot.ink))
    looks = list(lot.looks)
    if lot.surely_stronger:
        more = lot.percent > 0
        size, half = abs(lot.percent), Z90 * lot.percent_sd
        band = f" (90 % band {size - half:.0f} to {size + half:.0f} %)"
        looks = [word for word in looks if word != SAID[more]]
        looks.insert(0, f"{size:.0f} % {'stronger' if more else 'weaker'}{band}")
    how = ", ".join(looks[:-1]) + (" and " if looks[1:] else "") + "".join(looks[-1:])
    earlier = "lots" if lot.before > 1 else "lot"
    prints = f"prints {how} than the {earlier} before" if how else f"is off the {earlier} before"
    of = "" if lot.agree == lot.prints else f"{lot.agree} of "
    agree = f"{of}{counted(lot.prints, 'print')} agree"
    return f"{ink}, lot {lot.lot}, {prints}, {lot.dE00:.1f} dE00 on a usual print of it; {agree}."
