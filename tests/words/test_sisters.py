"""What other plants told, in words."""

import numpy as np

from learn.fit.ink_latents import ToldInk
from learn.predict.sisters import Heard, Sisters
from pipelines.words.sisters import from_where, ink_sentence, status_lines

NAMES = {"C08": "Bright red", "C09": None}
NOTHING = np.zeros((1, 1)), np.zeros(1)


def test_it_is_told_from_how_many_prints_and_where():
    assert from_where([("Plant B", 120)]) == "from 120 prints at Plant B"
    three = [("Plant B", 1), ("Plant C", 40), ("Plant D", 7)]
    assert from_where(three) == "from 1 print at Plant B, 40 at Plant C and 7 at Plant D"
    assert ink_sentence("C08", 0, [("Plant B", 120)], NAMES) == (
        "Bright red (C08) was never printed here; what is known of it in print is from 120 prints "
        "at Plant B."
    )
    assert ink_sentence("C09", 2, [("Plant B", 120)], NAMES) == (
        "C09 has 2 prints here; more is known of it from 120 prints at Plant B."
    )


def test_status_says_who_is_followed_and_who_is_not_and_why():
    inks = (
        ToldInk("C08", (("Plant B", 120),), *NOTHING),
        ToldInk("C09", (("Plant B", 3),), *NOTHING),
    )
    heard = (
        Heard("Plant B", 7, 0.1, 0.82, ("C10",)),
        Heard("Plant C", 5, np.inf, 1.3, ()),
        Heard("Plant D", 0, np.inf, 1.0, ()),
    )
    told, fits, other, few = status_lines(Sisters(inks, 0.8, heard), ["C08"], NAMES)
    assert "Plant B tells of 2 inks, 1 of them never printed here." in told
    assert "7 inks" in told and "82 %" in told
    assert "C10" in fits and "same ink" in fits
    assert "Plant C is not followed" in other and "5 inks" in other
    assert "Plant D is not followed: too few inks" in few
    assert list(status_lines(Sisters(), ["C08"], NAMES)) == []
