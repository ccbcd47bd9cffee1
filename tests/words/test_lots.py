"""What is said of a lot that prints otherwise."""

from __future__ import annotations

from learn.planning.next_test import Unproven
from learn.predict.lots import Carded, Lot
from learn.shop import NEW_LOT
from pipelines.words.lots import MOST, carded_sentence, lot_lines, lot_sentence, unproven_lines

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


def test_what_a_card_says_in_words():
    card = Carded("I24", "24-06", None, 12.0, 4.0)
    assert carded_sentence(card, NAMES) == (
        "Bright red (I24), lot 24-06, is not printed yet; a card of it says it is 12 % stronger "
        "(90 % band 5 to 19 %) than the ink's other cards."
    )
    alike = carded_sentence(card._replace(percent=-2.0, beside="24-01"), {})
    assert alike.endswith("a card of it says it is as strong as lot 24-01, within 9 %.")


def test_lots_to_be_tested_in_words():
    lots = [
        Unproven("I24", "24-06", 0, ("S4", "S7", "S9")),
        Unproven("I25", NEW_LOT, 1, ("S5",)),
    ]
    assert list(unproven_lines(lots, NAMES)) == [
        "Lot 24-06 of Bright red (I24) was never printed: a test print of S4 narrows S7 and S9 as "
        "well.",
        "A new lot of I25 was printed only once: a test print of S5 tells how it prints.",
    ]
