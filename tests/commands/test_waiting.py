"""Prints that wait for a decision: what they leave in doubt is told, and nothing goes with it."""

from __future__ import annotations

import pandas as pd

from tests.commands.test_lots import batch

ODD = 50  # per cent stronger: two prints alone are doubtful
SETUP = ["C19", "G01", "--mesh", "M43-80", "--strokes", "1", "--tolerance", "20"]


def written(tmp_path, prints: pd.DataFrame) -> str:
    file = tmp_path / f"{prints['print_id'].iloc[0]}.csv"
    prints.to_csv(file, index=False)
    return str(file)


def test_two_prints_of_a_strong_lot_hold_it_back_until_somebody_decides(says, tmp_path):
    target = says("predict", *SETUP).split("Print L ")[1].split()
    target = ",".join(target[0:9:4])
    ask = ["predict", *SETUP, "--target", target]
    assert "STRAIGHT TO PRODUCTION" in says(*ask)
    two = batch("X1", ODD, 3).tail(2)
    said = says("record", written(tmp_path, two))
    assert "2 doubtful and set aside" in said
    told = "Turquoise (C19), lot X1: both latest prints of it lie far from expected"
    assert told in said and told in says("status")
    assert "nothing with these goes straight to production" in said
    said = says(*ask)  # of the lot that is open, though nothing of it is in use
    assert "TEST PRINT FIRST" in said and "lot X1" in said and "strikeoff doubts" in said
    assert "nothing is known of lot X1" not in says(*ask, "--lot", "X1")
    assert "STRAIGHT TO PRODUCTION" in says(*ask, "--lot", "C19-L05")
    says("learn")
    assert "TEST PRINT FIRST" in says(*ask), "nor once a model has learnt everything else"
    says("doubts", "set-aside", *two["print_id"], "--reason", "smudged")
    assert "wait for a decision" not in says(*ask) + says("status")
    says("doubts", "keep", *two["print_id"])
    assert "wait for a decision" not in says(*ask) + says("status")


def test_what_comes_later_bears_out_what_waits(says, tmp_path):
    """Three alike in one file are news; so are two, and one that comes in later."""
    three = batch("X1", ODD, 3)
    assert "0 prints to learn from, 2 doubtful" in says("record", written(tmp_path, three.head(2)))
    assert "1 print to learn from." in says("record", written(tmp_path, three.tail(1)))


def test_what_was_kept_tells_what_to_expect_of_the_next_prints(says, tmp_path):
    """Before a model has learnt it: prints that come in are held against what answers."""
    five = batch("X1", ODD, 5).reset_index(drop=True)
    says("record", written(tmp_path, five.head(2)))
    says("doubts", "keep", *five["print_id"].head(2))
    assert "1 print to learn from." in says("record", written(tmp_path, five[2:3]))


def test_a_slip_that_is_named_holds_nothing_back(says, tmp_path):
    """Two inks exchanged are two slips, and no news of their press or garment."""
    two = batch("C19-L05", 0.0, 2).reset_index(drop=True)
    swapped = two.assign(b=-two["b"])
    said = says("record", written(tmp_path, swapped))
    assert "2 doubtful" in said and "was it typed so?" in said
    assert "wait for a decision" not in said + says("predict", *SETUP)
