"""*Begin*: from an empty folder to the first prints; wrong workbooks refused whole."""

from __future__ import annotations

import csv
from io import BytesIO, StringIO

import openpyxl
import pytest

from pipelines.desk.app import make_app
from pipelines.desk.opened import Desk
from pipelines.workspace.folders import Workspace
from tests.desk.conftest import later, text_of, writing

ROWS = {
    "Inks": [
        ["red", "Warm red", "plastisol", "colour", 98],
        ["white", "Base", "plastisol", "underbase", 98],
    ],
    "Garments": [
        ["black", "garment", "cotton", "Black", 17.2, 0.4, -0.9],
        ["pale", "garment", "cotton", "White", 93, 0, 2],
    ],
    "Screens": [["43-80", 43, 80, 149]],
}


def filled(client, rows: dict[str, list[list]] = ROWS) -> tuple[BytesIO, str]:
    """The workbook of the page, filled in."""
    book = openpyxl.load_workbook(BytesIO(client.get("/begin/shop.xlsx").data))
    for sheet in book.worksheets:
        for title, told in rows.items():
            if sheet.title.casefold().startswith(title.casefold()[:4]):
                for row in told:
                    sheet.append(row)
    out = BytesIO()
    book.save(out)
    return BytesIO(out.getvalue()), "shop.xlsx"


@pytest.fixture
def empty(tmp_path):
    """A client of the page on an empty workspace."""
    return writing(tmp_path)


def test_without_a_model_the_page_opens_here(empty, client):
    assert empty.get("/").location == "/begin/"
    assert client.get("/").location == "/today/"


def test_from_nothing_to_the_first_prints(empty):
    assert "Download the workbook" in later(empty, "/begin/")
    looked = text_of(
        empty.send("/begin/tables", tables=filled(empty), name="North Street", look="1").text
    )
    assert "Would take in shop north-street: 2 inks" in looked and "nothing was changed" in looked
    assert not (empty.root / "datasets").exists()
    taken = text_of(empty.send("/begin/tables", tables=filled(empty), name="North Street").text)
    assert "Taken in: shop north-street: 2 inks" in taken
    # the page has that address now, and is asked for again by it until the list is there
    assert "4 prints of 1 inks, 2 screens" in later(empty, "/begin/tables")
    for path in ("/today/", "/ask/", "/find/"):
        page = empty.get(path).text
        assert "Nothing has been learnt yet" in page and "strikeoff" not in text_of(page)
        assert 'class="button" href="/begin/"' in page
    assert "There is no print to learn from yet" in text_of(empty.get("/progress/").text)
    # one colour ink on the lightest and the darkest garment, bare and over the base
    assert "4 prints of 1 inks, 2 screens" in later(empty, "/begin/")
    listed = list(csv.DictReader(StringIO(empty.get("/begin/first-prints.csv").text)))
    assert {(r["substrate_id"], r["underbase_ink_id"]) for r in listed} == {
        (g, b) for g in ("black", "pale") for b in ("", "white")
    }
    sheet = empty.get("/begin/first-prints")
    assert all(row["print_id"] in sheet.text for row in listed)
    assert "script-src" not in sheet.headers["Content-Security-Policy"]
    assert "<script" not in sheet.text


def test_the_invented_shop_is_taken_in_and_a_shop_of_ones_own_begun_beside_it(empty):
    assert "Look round the invented shop" in empty.get("/begin/").text
    assert empty.send("/begin/demo").status_code == 303
    page = later(empty, "/begin/")
    assert "nothing in it was ever printed" in page and "795 prints are in use" in page
    assert empty.send("/begin/demo").status_code == 400  # there is one already
    assert (empty.root / "datasets" / "demo" / "week.csv").is_file()
    assert "learn" in text_of(empty.get("/today/").text)  # its jobs wait for a model
    for name, sentence in (("", "Name of the shop"), ("demo", "There is a shop")):
        reply = empty.send("/begin/tables", tables=filled(empty), name=name)
        assert reply.status_code == 400 and sentence in text_of(reply.text)
    empty.send("/begin/tables", tables=filled(empty), name="North Street")
    assert Workspace(empty.root).shops() == ["demo", "north-street"]
    assert "4 prints of 1 inks" in later(empty, "/begin/")


def test_a_list_of_prints_holds_no_formulas(empty):
    rows = ROWS | {"Inks": [["@red", "Warm red", "plastisol", "colour", 98]]}
    assert empty.send("/begin/tables", tables=filled(empty, rows), name="s").status_code == 200
    later(empty, "/begin/")
    listed = [*csv.DictReader(StringIO(empty.get("/begin/first-prints.csv").text))]
    assert {row["ink_id"] for row in listed} == {"'@red"}


def test_a_workbook_with_mistakes_is_refused_whole(empty):
    wrong = ROWS | {"Screens": [["43-80", "many", 80, 149]]}
    reply = empty.send("/begin/tables", tables=filled(empty, wrong), name="s")
    assert reply.status_code == 400
    assert "many" in text_of(reply.text) and "shop.xlsx" in text_of(reply.text)
    assert not (empty.root / "datasets").exists()
    assert empty.send("/begin/tables", tables=filled(empty)).status_code == 400  # no name
    for book in ((BytesIO(b"no workbook"), "shop.xlsx"), (BytesIO(b"x"), "../../shop.db")):
        assert empty.send("/begin/tables", tables=book, name="s").status_code == 400


def test_what_was_taken_in_can_be_taken_back(empty):
    empty.send("/begin/tables", tables=filled(empty), name="s")
    assert "Take this batch back" not in empty.get("/begin/").text  # it is the shop itself
    more = ROWS | {"Inks": [*ROWS["Inks"], ["blue", "Deep blue", "plastisol", "colour", 98]]}
    empty.send("/begin/tables", tables=filled(empty, more))
    assert "8 prints of 2 inks" in later(empty, "/begin/")
    empty.send("/begin/tables/back", batch="1")
    assert "8 prints of 2 inks" in later(empty, "/begin/")  # not the one that was shown
    assert empty.send("/begin/tables/back", batch="2").status_code == 303
    assert "4 prints of 1 inks" in later(empty, "/begin/")


def test_two_at_once_lose_nothing(empty):
    empty.send("/begin/tables", tables=filled(empty), name="s")
    other = make_app(Desk(Workspace(empty.root), None))[0].test_client()
    assert "4 prints of 1 inks" in later(other, "/begin/")
    more = ROWS | {"Inks": [*ROWS["Inks"], ["blue", "Deep blue", "plastisol", "colour", 98]]}
    empty.send("/begin/tables", tables=filled(empty, more))
    assert "8 prints of 2 inks" in later(other, "/begin/")
