"""Workbooks of several sheets, texts of another alphabet."""

from __future__ import annotations

from tests.measured.documents import csv, fields, read, refused, workbook


def test_several_sheets_and_a_text_of_another_alphabet(tmp_path):
    book = workbook(fields("r{}", sample="print_id"), notes={"what": ["nothing"]})
    assert "Read from the sheet day." in read(tmp_path, book).said
    two = workbook(fields("r{}", sample="print_id"), again=fields("r{}", sample="print_id"))
    assert "readings on several sheets, day and again" in refused(tmp_path, two)
    latin = csv({"print_id": ["Grün"], "L": [50], "a": [-40], "b": [30]}).encode("latin-1")
    measured = read(tmp_path, latin)
    assert measured.frame["sample"].tolist() == ["Grün"]
    assert "The file is not UTF-8: read as Western European (Windows-1252) text." in measured.said


def test_what_stands_above_a_table_tells_how_it_was_measured(tmp_path):
    """Lab of another light is refused here as in any other format."""
    over = "Pocket export\t\t\t\nIlluminant\t{}\tObserver: 2 deg\t\n\n"
    table = csv({"Sample": ["A1"], "L*": [50], "a*": [-40], "b*": [30]}, sep="\t")
    measured = read(tmp_path, over.format("D50") + table)
    assert measured.facts == {"illuminant": "D50", "observer": "2"}
    assert not [one for one in measured.said if "declared" in one]
    assert "D65/2" in refused(tmp_path, over.format("D65") + table)
