"""The empty workbook: its headers are understood, its examples never read."""

from __future__ import annotations

import openpyxl
import pytest

from pipelines.tables.blank import SHEETS, write_blank
from pipelines.tables.folder import read_folder
from pipelines.tables.headers import meaning, sheet_title
from pipelines.tables.schema import SHOP_TABLES
from pipelines.workspace.problems import InputProblems
from tests.tables.reading import TODAY, read
from tests.tiny_shop import TINY, write_shop

ROWS = {
    "Inks": ["blue", "Blue", "plastisol", "colour", 98],
    "Garments": ["tee-black", "garment", "cotton", "Black", 17.2, 0.4, -0.9],
    "Screens": ["77-55", 77, 55],
    "Prints": [
        *("P1", "", "", "", "tee-black", "", "", "", "blue", "", "77-55", 1, 0),
        *("", "", "", "", "", 22.5, 4.1, -20.7),
    ],
}


@pytest.mark.parametrize("name", SHEETS)
def test_every_header_means_its_column_and_all_needed_ones_are_there(name):
    table = SHOP_TABLES[name]
    for column, (header, _) in SHEETS[name].items():
        assert meaning(table, header).columns[0] == column
    assert {c.name for c in table.columns if c.present} <= set(SHEETS[name])


def test_a_filled_workbook_is_read_without_its_examples(tmp_path):
    path = tmp_path / "shop.xlsx"
    write_blank(path)
    with pytest.raises(InputProblems, match=r"^shop\.xlsx: nothing is filled in yet") as error:
        read_folder(path, name="new", today=TODAY)
    assert len(error.value.problems) == 1 and not error.value.notes
    book = openpyxl.load_workbook(path)
    for title, row in ROWS.items():
        book[title].append([cell if cell != "" else None for cell in row])
    book.save(path)
    read = read_folder(path, name="new", today=TODAY)
    shop = read.shop
    assert [len(getattr(shop, name)) for name in SHEETS] == [1, 1, 1, 0, 0, 0, 1]
    assert shop.prints.loc[0, ["ink_id", "mesh_id", "L"]].tolist() == ["blue", "77-55", 22.5]
    assert not read.set_aside
    [said] = read.warnings
    titles = [sheet_title(name) for name in SHEETS]
    assert said == (
        "shop.xlsx: rows marked (example) were left out, on the sheets "
        f"{', '.join(titles[:-1])} and {titles[-1]}."
    )


def test_a_workbook_beside_tables_is_not_passed_over_in_silence(tmp_path):
    folder = write_shop(tmp_path / "shop")
    write_blank(folder / "shop.xlsx")
    said = read_folder(folder, name="s", today=TODAY).warnings
    assert any("shop.xlsx lies beside the tables and was not read; to take" in one for one in said)
    for name in SHEETS:
        (folder / f"{name}.csv").write_text(f"{','.join(SHEETS[name])}\n")
    told = r"shop: nothing is filled in yet; .*; if they are in shop\.xlsx, which lies there too"
    with pytest.raises(InputProblems, match=told):
        read_folder(folder, name="s", today=TODAY)


def test_a_base_may_be_called_so(tmp_path):
    inks = TINY["inks.csv"].replace(",underbase,", ",Base,")
    assert inks != TINY["inks.csv"]
    roles = read(tmp_path, inks=inks).shop.inks["role"]
    assert set(roles) == {"colour", "underbase"}


def test_a_sheet_left_empty_is_told_by_its_title(tmp_path):
    write_blank(tmp_path / "shop.xlsx")
    book = openpyxl.load_workbook(tmp_path / "shop.xlsx")
    book["Inks"].append(ROWS["Inks"])
    book.save(tmp_path / "shop.xlsx")
    with pytest.raises(InputProblems) as error:
        read_folder(tmp_path / "shop.xlsx", name="new", today=TODAY)
    assert [one.file for one in error.value.problems] == [
        "shop.xlsx, sheet Garments",
        "shop.xlsx, sheet Screens",
    ]
    assert "describe the garments of the shop" in str(error.value)
    assert len(error.value.notes) == 1


def test_ids_and_types_are_offered_and_the_header_stays(tmp_path):
    write_blank(tmp_path / "shop.xlsx")
    book = openpyxl.load_workbook(tmp_path / "shop.xlsx")
    assert book.sheetnames == ["Start", *map(sheet_title, SHEETS)]
    prints = book["Prints"]
    offered = {one.formula1 for one in prints.data_validations.dataValidation}
    assert offered == {
        f"={title}!$A$3:$A$1000" for title in ("Garments", "Inks", "Screens", "Presses")
    }
    assert prints.freeze_panes == "B2"
    types = [one.formula1 for one in book["Inks"].data_validations.dataValidation]
    assert '"plastisol,water_based,discharge,silicone"' in types
