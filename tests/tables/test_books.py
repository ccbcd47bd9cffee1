"""Workbooks in and out: a sheet a table, nothing lost, nothing that Excel would work out."""

from __future__ import annotations

import io
import re

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.tables.folder import read_folder
from pipelines.tables.headers import sheet_title
from pipelines.tables.writing import write_table, write_workbook
from pipelines.workspace.problems import InputProblems
from tests.tables.reading import TODAY, assert_same_shop, read
from tests.tiny_shop import TINY


def tables(**changes: str) -> dict[str, pd.DataFrame]:
    """The tiny shop's tables by the titles of their sheets."""
    texts = {file.removesuffix(".csv"): text for file, text in TINY.items() if ".csv" in file}
    return {
        sheet_title(name): pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
        for name, text in (texts | changes).items()
    }


def test_a_workbook_equals_the_folder(tmp_path):
    plain = read(tmp_path / "plain")
    write_workbook(tmp_path / "shop.xlsx", tables())
    (tmp_path / "shop.toml").write_text(TINY["shop.toml"])
    book = read_folder(tmp_path / "shop.xlsx", name="tiny", today=TODAY)
    assert_same_shop(book, plain)
    assert book.warnings == []
    (tmp_path / "plain" / "inks.csv").unlink()
    write_table(tmp_path / "plain" / "inks.xlsx", tables()["Inks"], "anything")
    assert_same_shop(read_folder(tmp_path / "plain", name="tiny", today=TODAY), plain)


def test_a_folder_may_hold_just_a_workbook(tmp_path):
    folder = tmp_path / "new"
    folder.mkdir()
    with pytest.raises(InputProblems, match=r"holds none of inks\.csv, .* that holds all") as error:
        read_folder(folder, name="tiny")
    assert len(error.value.problems) == 1
    write_workbook(folder / "our shop.xlsx", tables())
    (folder / "~$our shop.xlsx").write_bytes(b"opened by somebody")
    (folder / "targets.csv").write_text("name,hex\nclub red,#aa3322\n")
    read = read_folder(folder, name="tiny", today=TODAY)
    assert len(read.shop.prints) == 3
    said = "\n".join(read.warnings)
    assert "read from the workbook our shop.xlsx" in said
    assert "targets beside the workbook was not read; put a sheet Targets in it" in said
    write_workbook(folder / "old.xlsx", tables())
    with pytest.raises(InputProblems, match=r"old\.xlsx and our shop\.xlsx; name the one to read"):
        read_folder(folder, name="tiny")


def test_drawdowns_may_be_missing_other_sheets_not(tmp_path):
    some = tables()
    del some["Drawdowns"]
    write_workbook(tmp_path / "shop.xlsx", {"Read me": pd.DataFrame({"a": ["b"]}), **some})
    book = read_folder(tmp_path / "shop.xlsx", name="tiny", today=TODAY)
    assert book.shop.drawdowns.empty and len(book.shop.prints) == 3
    assert book.warnings == ["shop.xlsx: no sheet of drawdowns; taken as none."]
    del some["Screens"]
    write_workbook(tmp_path / "shop.xlsx", some)
    with pytest.raises(InputProblems, match='no filled sheet of screens; add it, called "Screens"'):
        read_folder(tmp_path / "shop.xlsx", name="tiny", today=TODAY)


@pytest.mark.parametrize(
    "sheets",
    [
        {"Sheet1": pd.DataFrame()},
        {"Inks": pd.DataFrame(), "Prints": pd.DataFrame()},
        {"Budget": pd.DataFrame({"Item": ["rent"], "Euro": ["1200"]})},
    ],
)
def test_a_workbook_without_a_table_is_one_sentence(sheets, tmp_path):
    write_workbook(tmp_path / "book.xlsx", sheets)
    with pytest.raises(InputProblems, match="none of its sheets holds inks, garments") as error:
        read_folder(tmp_path / "book.xlsx", name="x", today=TODAY)
    assert len(error.value.problems) == 1 and not error.value.notes


def test_sheets_that_are_missing_are_told_together_and_no_other_is_taken_for_them(tmp_path):
    """Name and Type over inks are as well those of a garment: the title says what they are."""
    inks = {"Ink": ["R"], "Name": ["Red"], "Type": ["plastisol"], "Used as": ["colour"]}
    write_workbook(tmp_path / "book.xlsx", {"Inks": pd.DataFrame(inks)})
    with pytest.raises(InputProblems) as error:
        read_folder(tmp_path / "book.xlsx", name="x", today=TODAY)
    assert str(error.value) == (
        "book.xlsx: has no filled sheet of garments, screens or prints; add them, called "
        '"Garments", "Screens" and "Prints".'
    )


def test_a_problem_names_the_sheet_and_its_row(tmp_path):
    wrong = tables(prints=TINY["prints.csv"].replace("46.00", "146"))
    write_workbook(tmp_path / "shop.xlsx", wrong)
    [fault] = read_folder(tmp_path / "shop.xlsx", name="tiny", today=TODAY).set_aside
    assert str(fault).startswith('shop.xlsx, sheet Prints, row 2, column L: "146" is outside')


CELL = st.one_of(
    st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=8),
    st.sampled_from(["=1+1", "+A1", "-2+3", "@sum", "-5", "+3", "007", "12", "4.50", "1E5", "-"]),
)


@settings(max_examples=60, deadline=None)
@given(cells=st.lists(CELL, min_size=1, max_size=6))
def test_no_cell_is_a_formula_and_every_text_comes_back(tmp_path_factory, cells):
    path = tmp_path_factory.mktemp("book") / "t.xlsx"
    frame = pd.DataFrame({"note": cells, "ink_id": cells}, dtype=object)
    write_table(path, frame, "Notes")
    sheet = openpyxl.load_workbook(path).worksheets[0]
    for row, cell in enumerate(cells, start=2):
        for column in (1, 2):
            back = sheet.cell(row, column)
            assert back.data_type != "f"
            if isinstance(back.value, int | float):
                assert column == 1 and back.value == float(cell)
                assert re.fullmatch(r"[+-]?[0-9.]+", cell)
            else:
                assert (back.value or "") == cell
