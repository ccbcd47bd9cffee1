"""CSV as spreadsheets save it."""

from __future__ import annotations

import csv
import io

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.tables import csvfile
from pipelines.tables.folder import read_folder
from pipelines.workspace.problems import Findings
from tests.tables.reading import TODAY, assert_same_shop, read
from tests.tiny_shop import TINY, semicolon_with_decimal_commas, write_shop


def test_semicolon_and_decimal_comma_equal_the_plain_file(tmp_path):
    changes = {
        file.split(".")[0]: semicolon_with_decimal_commas(file) for file in TINY if ".csv" in file
    }
    assert ";48,1;" in changes["drawdowns"]
    european = read(tmp_path / "eu", **changes)
    assert_same_shop(european, read(tmp_path / "plain"))
    for name, frame in read(tmp_path / "plain").given.tables.items():
        pd.testing.assert_frame_equal(frame, european.given.tables[name])


@pytest.mark.parametrize("encoding", ["utf-8-sig", "latin-1"])
def test_byte_order_mark_and_latin_1_equal_the_plain_file(tmp_path, encoding):
    plain = read(tmp_path / "plain")
    folder = write_shop(tmp_path / "other")
    for file in TINY:
        if file.endswith(".csv"):
            (folder / file).write_bytes(TINY[file].replace("\n", "\r\n").encode(encoding))
    assert_same_shop(read_folder(folder, name="tiny", today=TODAY), plain)


def test_header_spaces_blank_rows_and_minus_signs(tmp_path):
    prints = TINY["prints.csv"].replace(",L,", ", L ,").replace("-20.75", "\N{MINUS SIGN}20.75")
    prints = prints.replace("P2,", "\n,,,\nP2,") + ",,,,\n"
    checked = read(tmp_path, prints=prints)
    assert checked.given.tables["prints"].index.tolist() == [2, 5, 6]
    assert_same_shop(checked, read(tmp_path / "plain"))


TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=6)


@settings(max_examples=80)
@given(cells=st.lists(st.tuples(TEXT, TEXT), min_size=1, max_size=4))
def test_csv_text_goes_out_and_in_unchanged(cells):
    cells = [pair for pair in cells if any(map(str.strip, pair))]
    frame = pd.DataFrame(cells, columns=["x", "y"], dtype=object)
    text = csvfile.to_csv(frame)
    # The csv module of the standard library reads the same cells (an independent reader).
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert [tuple(row) for row in rows[1:]] == cells
    rows, _ = csvfile.rows_of(text.encode(), "t.csv", Findings())
    back = csvfile.under_first_row(rows, "t.csv", Findings())
    assert back.to_numpy().tolist() == frame.to_numpy().tolist()
    assert csvfile.to_csv(back) == text
