"""Names instead of identifiers: what they may stand for, and what they never do."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from learn.fit.fingerprints import marks_of
from pipelines.registry.catalogue import Catalogue
from pipelines.tables.folder import read_setups
from pipelines.tables.names import (
    BASE_INK,
    CARD,
    GARMENT,
    INK,
    MESH,
    Entry,
    Names,
    closest_in,
    found_in,
)
from pipelines.workspace.problems import InputProblems
from tests.tables.reading import read
from tests.tiny_shop import SETUPS, TINY, with_cell

SHELF = Names(
    [
        Entry("C08", INK, ("Bright red", "Kundenrot 7")),
        Entry("C09", INK, ("Bright red opaque",)),
        Entry("C10", INK, ("Deep red",)),
        Entry("C15", INK, ("Royal Blue",)),
        Entry("C24", INK, ("Bright white",)),
        Entry("C30", INK, ("C08",)),  # called as another is numbered
        Entry("grun-1", INK, ("Grün, kühl",)),
        Entry("G20", INK, ("Größe 3",)),
        Entry("U1", BASE_INK, ("White base",)),
        Entry("U2", BASE_INK, ("Grey base",)),
    ]
)
CLOTHS = Names(
    [
        Entry("G01", GARMENT, ("White",), "cotton"),
        Entry("G02", GARMENT, ("Black",), "cotton"),
        Entry("G10", GARMENT, ("Black sport",), "polyester"),
        Entry("G11", GARMENT, ("Grey hoodie",), "cotton"),
        Entry("KCARD", CARD, ("Black card",), "paper"),
    ]
)
MESHES = Names(
    [
        Entry("M43-80", MESH, ("43-80", "43")),
        Entry("M77-55", MESH, ("77-55", "77")),
        Entry("M77-48", MESH, ("77-48", "77")),
    ]
)


@pytest.mark.parametrize(
    ("names", "text", "ids"),
    [
        (SHELF, "C08", "C08"),  # also the name of another: the identifier wins
        (SHELF, " c-08 ", "C08"),
        (SHELF, "BRIGHT red", "C08"),  # whole, though another name begins alike
        (SHELF, "bright_red", "C08"),
        (SHELF, "brightred", "C08"),
        (SHELF, "red bright", "C08"),
        (SHELF, "kundenrot-7", "C08"),
        (SHELF, "Kunden", "C08"),
        (SHELF, "bri re op", "C09"),
        (SHELF, "deep", "C10"),
        (SHELF, "royal", "C15"),
        (SHELF, "Gruen kuehl", "grun-1"),
        (SHELF, "grun kuhl", "grun-1"),
        (SHELF, "groesse 3", "G20"),
        (SHELF, "grosse 3", "G20"),
        (SHELF, "red", "C08 C09 C10"),
        (SHELF, "bri", "C08 C09 C24"),
        (SHELF, "C0", ""),  # part of a number is no name
        (SHELF, "C8", ""),
        (SHELF, "3", ""),
        (SHELF, "G2", ""),
        (SHELF, "7", ""),
        (SHELF, "", ""),
        (SHELF, "-", ""),
        (SHELF, "rot", ""),
        (SHELF, "red red", ""),
        (CLOTHS, "black", "G02"),
        (CLOTHS, "black tee", "G02"),
        (CLOTHS, "Black T-shirt", "G02"),
        (CLOTHS, "cotton black", "G02"),
        (CLOTHS, "black cotton shirt", "G02"),
        (CLOTHS, "polyester", "G10"),
        (CLOTHS, "black poly", "G10"),
        (CLOTHS, "cotton", "G01 G02 G11"),
        (CLOTHS, "black hoodie", ""),
        (CLOTHS, "grey tee", ""),  # a hoodie is no tee
        (CLOTHS, "grey", "G11"),
        (CLOTHS, "tee", ""),
        (MESHES, "43-80", "M43-80"),
        (MESHES, "43/80", "M43-80"),
        (MESHES, "43", "M43-80"),
        (MESHES, "m43 80", "M43-80"),
        (MESHES, "77", "M77-55 M77-48"),
        (MESHES, "80-43", ""),
        (MESHES, "4", ""),
        (MESHES, "-43", ""),
    ],
)
def test_what_a_name_may_stand_for(names, text, ids):
    assert names.find(text, None if names is not CLOTHS else (GARMENT,)) == ids.split()


def test_a_base_is_meant_where_a_base_is_named():
    assert found_in("white", SHELF, table="setups", column="underbase_ink_id") == ["U1"]
    assert found_in("white", SHELF, table="setups", column="ink_id") == ["C24", "U1"]
    assert found_in("bright white", SHELF, table="setups", column="underbase_ink_id") == ["C24"]


def test_cards_are_not_printed_on():
    assert found_in("black card", CLOTHS, table="prints", column="substrate_id") == []
    assert found_in("black card", CLOTHS, table="drawdowns", column="substrate_id") == ["KCARD"]


@pytest.mark.parametrize(
    ("text", "label"),
    [("Brigth Red", "C08 Bright red"), ("C1O", "C10 Deep red"), ("xyz", None)],
)
def test_a_near_miss_is_offered(text, label):
    assert SHELF.closest(text) == label


texts = st.text(string.ascii_letters + string.digits + " -_.äöüßéØ", min_size=1, max_size=12)
tables = st.dictionaries(
    texts.map(str.strip).filter(bool), st.lists(texts.map(str.strip).filter(bool), max_size=3)
)


@given(tables)
def test_every_identifier_stands_for_itself(table):
    """Whatever the things are called."""
    names = Names([Entry(one, INK, tuple(called)) for one, called in table.items()])
    assert all(names.find(f" {one} ") == [one] for one in table)


spoken = st.text("abcdäöüßéØ -_", min_size=1, max_size=8).filter(lambda t: any(map(str.isalpha, t)))


@given(st.lists(spoken, min_size=1, max_size=5))
def test_every_name_finds_its_thing_however_it_is_written(called):
    """And with it only what is called the same."""
    names = Names([Entry(str(i), INK, (name,)) for i, name in enumerate(called)])
    for i, name in enumerate(called):
        found = names.find(f" {name.upper()}_")
        assert str(i) in found
        assert all(str(i) in names.find(called[int(other)]) for other in found)


def test_names_in_a_history_become_identifiers(tmp_path):
    plain = read(tmp_path / "ids")
    prints = TINY["prints.csv"].replace(",blue,", ",Blau Groesse 3,").replace("tee-black", "Black")
    named = read(tmp_path / "names", prints=prints)
    assert named.given.tables["prints"].equals(plain.given.tables["prints"])
    assert named.given.set_aside == {}
    assert (
        'prints.csv: read "Blau Groesse 3" as ink Blau Größe 3 (blue), in 2 rows.' in named.warnings
    )
    assert 'prints.csv: read "Black" as garment Black (tee-black), in 3 rows.' in named.warnings


def test_a_name_of_two_things_refuses_the_row(tmp_path):
    inks = TINY["inks.csv"] + "b2,Blau hell,plastisol,colour,\n"
    prints = with_cell("prints.csv", 3, "ink_id", "blau")
    [fault] = read(tmp_path, inks=inks, prints=prints).set_aside
    assert str(fault) == (
        'prints.csv, row 3, column ink_id: "blau" may be blue Blau Größe 3 or b2 Blau hell; '
        "write one of them."
    )


def test_an_alias_is_a_name_and_nothing_to_learn_from(tmp_path):
    header, *rows = TINY["inks.csv"].splitlines()
    called = ["", "Alt 7; PO-12", ""]
    rows = [f"{row},{aliases}" for row, aliases in zip(rows, called, strict=True)]
    checked = read(tmp_path / "shop", inks="\n".join([f"{header},aliases", *rows]) + "\n")
    plain = read(tmp_path / "plain")
    assert marks_of(checked.shop) == marks_of(plain.shop)
    (tmp_path / "s.csv").write_text(SETUPS.replace(",007,", ",po 12,"), encoding="utf-8")
    setups, said = read_setups(tmp_path / "s.csv", Catalogue.of(checked.shop).names())
    assert setups["ink_id"].tolist() == ["007", "blue"]
    assert said == ['s.csv: read "po 12" as ink Red, warm (007), in 1 row.']


def test_a_name_nobody_has_is_refused_with_the_nearest(tmp_path):
    known = Catalogue.of(read(tmp_path / "shop").shop).names()
    (tmp_path / "s.csv").write_text(SETUPS.replace(",007,", ",Red wram,"), encoding="utf-8")
    with pytest.raises(InputProblems, match=r'is "007 Red, warm" meant\?'):
        read_setups(tmp_path / "s.csv", known)


@pytest.mark.parametrize(
    ("names", "column", "text", "meant"),
    [
        (CLOTHS, "substrate_id", "blck tee", "G02 Black"),  # not sport: tee is any garment
        (CLOTHS, "substrate_id", "KCRD", None),  # cards are not printed on
        (SHELF, "ink_id", "brihgt red", "C08 Bright red"),
        (SHELF, "underbase_ink_id", "wite", "U1 White base"),  # its first word alone
        (SHELF, "underbase_ink_id", "brihgt red", "C08 Bright red"),  # an ink may be a base
    ],
)
def test_a_near_miss_is_met_by_what_may_stand_there(names, column, text, meant):
    assert closest_in(text, names, table="setups", column=column) == meant


def test_numbers_are_only_ever_taken_whole():
    """An ink not on the list yet is none that has the same figures."""
    inks = Names([Entry("1-12", "ink"), Entry("2-05", "ink"), Entry("M120-34", "mesh")])
    assert inks.find("1 12") == ["1-12"] and inks.find("m 120 34") == ["M120-34"]
    for other in ("11-2", "112", "20-5", "1203-4", "M1-2034"):
        assert inks.find(other) == []
