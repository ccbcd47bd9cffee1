"""The verdict on a set-up and its cause, as fixed words that every output rests on."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

# Prefixes of the columns of a prediction that hold the two ends of its band.
ENDS = ("end1_", "end2_")


class Verdict(StrEnum):
    """What to do with a set-up."""

    GO = "go"  # straight to production
    TEST = "test"  # a test print first
    CHANGE = "change"  # the set-up first: a test print would not help


class Cause(StrEnum):
    """Why; each cause has one verdict."""

    SURE = "sure"  # the chance of being in tolerance is as high as the shop asks for
    NO_TARGET = "no_target"  # as predictable as that, but there is no target to be near to
    UNSURE = "unsure"  # too little is known: more prints narrow it
    UNSEEN = "unseen"  # something about it was never printed, or hardly ever
    MISSES = "misses"  # predicted beyond the tolerance
    NEAR_LIMIT = "near_limit"  # predicted inside it, so near its limit that scatter takes it out
    UNEVEN = "uneven"  # prints of one set-up scatter by about the tolerance

    @property
    def verdict(self) -> Verdict:
        """What follows. Without a target nothing is ever a go."""
        if self is Cause.SURE:
            return Verdict.GO
        if self in (Cause.NO_TARGET, Cause.UNSURE, Cause.UNSEEN):
            return Verdict.TEST
        return Verdict.CHANGE


class Unseen(NamedTuple):
    """One thing about a set-up that the history does not hold, or hardly."""

    # ink, lot, garment, mesh, base, base mesh, over, straight on, press, ground, mix, or a number
    # (its feature)
    what: str
    # "never" or "few" prints of it, or these "contradict" all else; what was printed of it lately
    # "waits" for a decision; "nothing": not even measured; "below" or "above" all past
    # prints, or none of these tells it ("untold")
    how: str
    level: str = ""  # which ink, garment, ...; empty for a number

    @property
    def wants_test(self) -> bool:
        """Whether nothing goes with it untested, whatever the chances: a print or what it
        contradicts is wrong; or no chance knows how a type of ink takes to a type of base, or
        to cloth that others were printed on, or what a setting does that nobody ever wrote
        down."""
        return self.no_ground or self.what in ("over", "straight on") or self.how == "untold"

    @property
    def no_ground(self) -> bool:
        """Whether chances rest on what is wrong, or on nothing: nothing is hopeless by them."""
        return self.how in ("contradict", "waits", "nothing")
