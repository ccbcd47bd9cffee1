"""What other plants of the group told of inks, in the words of the press floor."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipelines.words.common import Names, counted, listed, named

if TYPE_CHECKING:
    from learn.predict.sisters import Heard, Sisters

Plants = Sequence[tuple[str, int]]  # name, and prints there
MOST = 6


def from_where(plants: Plants) -> str:
    """``from 120 prints at Plant B and 40 at Plant C``"""
    (plant, prints), *rest = plants
    said = [f"{counted(prints, 'print')} at {plant}", *(f"{n} at {name}" for name, n in rest)]
    return f"from {listed(said)}"


def ink_sentence(ink: str, prints: int, plants: Plants, names: Names) -> str:
    """``Bright red (C08) was never printed here; what is known of it in print is from 120 prints at
    Plant B.``"""
    here = "was never printed here" if not prints else f"has {counted(prints, 'print')} here"
    known = "what is known of it in print is" if not prints else "more is known of it"
    return f"{named(ink, names.get(ink))} {here}; {known} {from_where(plants)}."


def status_lines(sisters: Sisters, printed: Collection[str], names: Names) -> Iterator[str]:
    """What was told, and by whom; who is not followed, and why. ``printed``: inks printed here."""
    for one in sisters.heard:
        if np.isinf(one.widening):
            yield f"  {one.plant} is not followed: {_why_not(one)}."
            continue
        told = [ink.ink for ink in sisters.inks if one.plant in dict(ink.plants)]
        never = len(set(told) - set(printed))
        also = f", {never} of them never printed here" if never else ""
        yield (
            f"  {one.plant} tells of {counted(len(told), 'ink')}{also}. On the "
            f"{counted(one.shared, 'ink')} that both print, each left out here in turn, its word "
            f"brings the error to {100 * one.gain:.0f} %."
        )
        if one.others:
            inks = [named(ink, names.get(ink)) for ink in one.others[:MOST]]
            more = len(one.others) - len(inks)
            inks += [f"{more} more"] if more else []
            yield (
                f"  What {one.plant} says of {listed(inks)} does not fit what is known here, and "
                "is not used: is it the same ink?"
            )


def _why_not(one: Heard) -> str:
    if not one.shared:
        return "too few inks are printed at both"
    return f"its word does not bring the {counted(one.shared, 'ink')} that both print nearer"
