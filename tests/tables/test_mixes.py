"""Recipes and drawdowns of two inks in the tables: read, reckoned down, refused in one sentence."""

from __future__ import annotations

import pytest

from learn.fit.fingerprints import marks_of
from tests.tables.reading import read, refused
from tests.tiny_shop import TINY


def inks(**mixes: str) -> str:
    """The inks of the tiny shop, and mixes of them."""
    head, *rows = TINY["inks.csv"].splitlines()
    rows += [f"{ink},{ink},plastisol,colour," for ink in mixes]
    cells = [""] * 3 + list(mixes.values())
    return "\n".join([f"{head},mix", *(f"{r},{c}" for r, c in zip(rows, cells, strict=True))])


def drawdowns(mixed_with: str, share: str) -> str:
    head, *rows = TINY["drawdowns.csv"].splitlines()
    first = rows[0].rsplit(",", 3)[0]
    both = [f"{r},," for r in rows] + [f"{first},,,,{mixed_with},{share}"]
    return "\n".join([f"{head},mixed_with,share_pct", *both])


def prints(first: str) -> str:
    head, *rows = TINY["prints.csv"].splitlines()
    cells = [first, *[""] * (len(rows) - 1)]
    return "\n".join([f"{head},mix", *(f"{r},{c}" for r, c in zip(rows, cells, strict=True))])


def test_a_recipe_is_read_by_identifier_or_name_and_reckoned_down_to_inks(tmp_path):
    text = inks(coral='"Red warm=70; white=30"', pale="coral=1; white=3 kg")
    shop = read(tmp_path, inks=text).shop
    mixed = dict(zip(shop.inks["ink_id"], shop.inks["mix"], strict=True))
    assert mixed["coral"] == (("007", 70.0), ("white", 30.0))
    assert dict(mixed["pale"]) == pytest.approx({"007": 0.7, "white": 3.3})
    assert mixed["007"] is None


def test_a_drawdown_of_two_inks_is_no_drawdown_of_either(tmp_path):
    plain = read(tmp_path / "plain").shop
    shop = read(tmp_path / "tints", drawdowns=drawdowns("white", "20")).shop
    assert len(shop.drawdowns) == len(plain.drawdowns) == 2
    tint = shop.tints.iloc[0]
    assert (tint["ink_id"], tint["mixed_with"], tint["share_pct"]) == ("007", "white", 20)
    # what a model learns of inks by themselves stays what it was
    assert marks_of(shop) == marks_of(plain)


@pytest.mark.parametrize(
    ("mix", "sentence"),
    [
        ("007=70", "a mix is of two inks or more; write it as red=70; white=30, by weight"),
        ("007=70; pink=3", '"pink" is not in inks.csv'),
        ("007=70; 007=3", "007 stands in it twice; add up its weights"),
        ("007 70; white 3", '"007 70" is no ink with its weight'),
        ("007=0; white=3", "007 weighs nothing"),
        ("coral=1; white=3", "the ink would be made of itself; name the inks it is made of"),
    ],
)
def test_a_recipe_that_is_none_is_refused_in_one_sentence(tmp_path, mix, sentence):
    said = refused(tmp_path, inks=inks(coral=mix))
    assert said.startswith("inks.csv, row 5, column mix: ")
    assert sentence in said and "\n" not in said


@pytest.mark.parametrize(
    ("other", "share", "place", "sentence"),
    [
        ("white", "", "share_pct", "is empty beside the ink it is mixed with"),
        ("", "20", "mixed_with", "is empty beside a share"),
        ("007", "20", "mixed_with", "is the ink itself"),
        ("pink", "20", "mixed_with", '"pink" is not in inks.csv'),
        ("white", "100", "share_pct", "100"),
    ],
)
def test_a_tint_that_is_none_is_refused_in_one_sentence(tmp_path, other, share, place, sentence):
    said = refused(tmp_path, drawdowns=drawdowns(other, share))
    assert said.startswith(f"drawdowns.csv, row 4, column {place}: ")
    assert sentence in said and "\n" not in said


def test_a_print_with_a_wrong_recipe_is_set_aside_and_others_stay(tmp_path):
    found = read(tmp_path, prints=prints("007=70; pink=3"))
    assert [fault.column for fault in found.set_aside] == ["mix"]
    assert len(found.shop.prints) == 2
    assert read(tmp_path / "right", prints=prints("007=70; white=3")).shop.prints["mix"][0]
