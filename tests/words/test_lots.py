"""What is said of a lot that prints otherwise."""

from __future__ import annotations

from learn.predict.lots import Lot
from pipelines.words.lots import MOST, lot_lines, lot_sentence

STRONG = Lot("I24", "I24-06", 26.2, 4.1, 3.14, ("darker", "redder"), 12, 12, 5, True)
NAMES = {"I24": "Bright red"}


def test_a_strong_lot_in_words():
    assert lot_sentence(STRONG, NAMES) == (
        "Bright red (I24), lot I24-06, prints 26 % stronger (90 % band 19 to 33 %) and redder than "
        "the lots before, 3.1 dE00 on a usual print of it; 12 prints agree."
    )
    weak = STRONG._replace(percent=-20.0, before=1, prints=3, agree=2)
    assert lot_sentence(weak, {}) == (
        "I24, lot I24-06, prints 20 % weaker (90 % band 13 to 27 %), darker and redder than the "
        "lot before, 3.1 dE00 on a usual print of it; 2 of 3 prints agree."
    )
    turned = STRONG._replace(percent=2.0, looks=("duller",))
    assert "prints duller than the lots before" in lot_sentence(turned, NAMES)
    assert "is off the lots before, 3.1 dE00" in lot_sentence(turned._replace(looks=()), NAMES)


def test_only_news_is_told_the_largest_first():
    far = STRONG._replace(lot="I24-07", dE00=5.0)
    told = list(lot_lines([STRONG, STRONG._replace(lot="usual", news=False), far], NAMES))
    assert [line.split(", ")[1] for line in told] == ["lot I24-07", "lot I24-06"]
    many = list(lot_lines([STRONG] * (MOST + 2), NAMES))
    assert len(many) == MOST + 1
    assert many[-1].startswith("And 2 more lots")
