"""One bucket of ink is one lot, however its name is typed."""

from __future__ import annotations

import pandas as pd
import pytest

from learn.shop import NEW_LOT
from pipelines.tables.lots import in_tables, is_new, lots_in, spelt


def read(*lots: str | None, ink: str = "F1", known: tuple[str, ...] = ("R-11",)) -> list:
    own = pd.Series(lots, dtype=object)
    return spelt(pd.Series(ink, own.index), own, {"F1": known})[0].tolist()


def test_case_blanks_and_hyphens_do_not_make_another_lot():
    assert read("r-11", "R11", "R 11", "R\u201311", "R_11", "R-11") == ["R-11"] * 6
    assert read("R-12", None, "r12", "") == ["R-12", None, "R-12", ""]
    assert read("r-11", ink="F2") == ["r-11"], "lots of another ink are others"


def test_what_parts_two_numbers_tells_lots_apart():
    known = ("1-12", "R-11", "24.1")
    apart = ["11-2", "112", "R-1-1", "R-011", "2-41", "R-11+"]
    assert read(*apart, known=known) == apart
    assert read("1 12", known=known) == ["1-12"]


@pytest.mark.parametrize("word", ["new", "NEU", "neue Charge", "nouveau lot", "nuevo", "nieuw"])
def test_a_new_lot_is_said_in_words(word):
    assert is_new(word)
    assert read(word) == [NEW_LOT]


@pytest.mark.parametrize("lot", ["NEU-3", "new red", "R-11", "Charge", ""])
def test_other_lots_are_not_new_ones(lot):
    assert not is_new(lot)


def test_new_lots_in_a_table_are_of_their_day_and_never_the_next_new_one():
    cells = pd.DataFrame(
        {
            "print_id": ["P1", "P2", "P3", "P4", "P5"],
            "printed_on": ["2026-03-02", "2026-03-02", "2026-03-09", "", ""],
            "ink_id": ["F1", "F1", "F1", "F1", "F2"],
            "ink_lot": ["neu", "New", "new", "new", "r 11"],
        },
        dtype=object,
    )
    tables, told = in_tables({"prints": cells}, {"F2": ["R-11"]})
    days = ["new 2026-03-02", "new 2026-03-02", "new 2026-03-09", "new P4"]
    assert tables["prints"]["ink_lot"].tolist() == [*days, "R-11"]
    assert str(told["prints"][0]) == 'read "neu" as lot new 2026-03-02 of F1, in 1 row.'
    assert str(told["prints"][-1]) == 'read "r 11" as lot R-11 of F2, in 1 row.'
    again, told = in_tables(tables)
    assert told == {"prints": []}
    assert lots_in(again)["F1"] == list(dict.fromkeys(days))


def test_words_for_nothing_are_no_lot():
    """However they came in: two prints of lot "none" are of no one bucket."""
    words = ["none", "N/A", "-", "unbekannt", " ", "R-11"]
    prints = pd.DataFrame({"print_id": list("abcdef"), "ink_id": "F1", "ink_lot": words})
    found, told = in_tables({"prints": prints})
    assert found["prints"]["ink_lot"].str.strip().tolist() == [""] * 5 + ["R-11"]
    assert told == {"prints": []} and lots_in(found) == {"F1": ["R-11"]}
