"""One reading, whatever the file; damaged files."""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.measured import read_measured
from pipelines.tables.spectra import SPECTRUM
from pipelines.workspace.problems import UserError
from tests.measured.documents import (
    LAB,
    NAMES,
    QUICK,
    SHEET,
    SHOP,
    SPECTRA,
    documents,
    inside,
    lab_of,
    read,
)


@pytest.mark.parametrize("kind", documents())
def test_every_format_gives_the_same_readings(kind, tmp_path):
    measured = read(tmp_path, documents()[kind])
    assert list(measured.frame) == ["sample", "where", *LAB, *SPECTRUM]
    assert measured.frame["sample"].tolist() == NAMES
    assert np.allclose(measured.frame[SPECTRUM], SPECTRA[:, 2:33], atol=1e-6)
    assert np.allclose(measured.frame[LAB], lab_of(SPECTRA), atol=1e-3)
    words = "object '" if kind.startswith("cxf") else ("row", "line", "sample")
    assert measured.frame["where"].str.startswith(words).all() and measured.said


EDIT = st.tuples(
    st.floats(0, 1, exclude_max=True),
    st.integers(0, 40),
    st.one_of(
        st.sampled_from(
            [b"", b"\n", b"\t", b'"', b"#", b",", b";", b"<", b"&a;", b"nan", b"1e999", b"-1"]
        ),
        st.sampled_from(
            [b"\0", b"\xff\xfe", b"0", b"700", b"BEGIN_DATA\n", b"END_DATA\n", b"</cc:Object>"]
        ),
        st.sampled_from([b"r400", b"M0 M1", b"D65", b'encoding="x"', b"<!DOCTYPE a>"]),
        st.binary(max_size=8),
    ),
)
DOCUMENTS = documents()


def edited(data: bytes, edits: list[tuple[float, int, bytes]]) -> bytes:
    for at, dropped, put in edits:
        start = int(at * (len(data) + 1))
        data = data[:start] + put + data[start + dropped :]
    return data


@pytest.mark.parametrize("kind", [*DOCUMENTS, "inside_xlsx"])
@given(edits=st.lists(EDIT, min_size=1, max_size=4))
@settings(max_examples=30, **QUICK)
def test_damaged_files_are_read_or_refused_and_never_changed(kind, edits, tmp_path):
    if kind == "inside_xlsx":
        with zipfile.ZipFile(io.BytesIO(DOCUMENTS["xlsx"])) as book:
            sheet = edited(book.read(SHEET), edits)
        data = inside(DOCUMENTS["xlsx"], {SHEET: sheet})
    else:
        data = edited(DOCUMENTS[kind], edits)
    path = tmp_path / "day.dat"
    path.write_bytes(data)
    try:
        measured = read_measured(path, SHOP)
    except UserError as error:
        assert "day.dat" in str(error)  # noqa: PT017  it need not be raised
    else:
        assert np.isfinite(measured.frame[LAB].to_numpy()).all() and len(measured.frame)
    assert [p.name for p in tmp_path.iterdir()] == ["day.dat"] and path.read_bytes() == data
