"""What cannot be read is refused, each in its sentence."""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pandas as pd
import pytest

from pipelines.measured import read_measured
from pipelines.workspace.problems import UserError
from tests.measured.documents import (
    SHEET,
    SHOP,
    SPECTRA,
    cgats,
    csv,
    cxf,
    cxf_object,
    cxf_spec,
    cxf_spectrum,
    fields,
    inside,
    refused,
    workbook,
)


def with_cell(columns: dict[str, list[object]], name: str, row: int, cell: object) -> dict:
    return columns | {name: [cell if i == row else c for i, c in enumerate(columns[name])]}


def renamed(columns: dict[str, list[object]], **names: str) -> dict[str, list[object]]:
    return {names.get(name, name): cells for name, cells in columns.items()}


GOOD = fields()
SHEET_COLUMNS = fields("r{}", sample="print_id")
ENTITIES = "".join(f'<!ENTITY {b} "&{a};&{a};">' for a, b in zip("abcde", "bcdef", strict=True))
HEAVY = f'<!DOCTYPE a [<!ENTITY a "ha">{ENTITIES}]>'
BANDS = [name for name in SHEET_COLUMNS if name.startswith("r")]


def first_reading(factor: float) -> dict[str, list[object]]:
    """The sheet with the first spectrum on another scale."""
    first = {name: [factor * SHEET_COLUMNS[name][0], *SHEET_COLUMNS[name][1:]] for name in BANDS}
    return SHEET_COLUMNS | first


def bomb(content: bytes = b" " * 61_000_000) -> bytes:
    """A workbook with one part more, of 61 MB unless given."""
    book = workbook({"print_id": ["A"], "L": [1], "a": [1], "b": [1]})
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
        new.writestr("xl/more.xml", content, zipfile.ZIP_DEFLATED, 1)
    return out.getvalue()


def lying(book: bytes) -> bytes:
    """The same with declared sizes of 10 bytes: what unpacks does not keep to them."""
    size = (61_000_000).to_bytes(4, "little")
    return book.replace(size, (10).to_bytes(4, "little"))


BOMB = bomb()
BAD = {
    "empty": ("", "is empty; export the file again"),
    "cut short": (cgats(GOOD)[:-200], "ends before END_DATA: it has been cut short"),
    "cut in the header": ("CGATS.17\nORIGINATOR x\n", "holds no BEGIN_DATA"),
    "fewer sets": (cgats(GOOD, sets=5), 'NUMBER_OF_SETS is "5", but 4 samples follow'),
    "fields": (
        cgats(GOOD, "NUMBER_OF_FIELDS 12"),
        'NUMBER_OF_FIELDS is "12", but 37 fields are named',
    ),
    "row of another width": (
        cgats(with_cell(GOOD, "SAMPLE_NAME", 0, "P1 loose")).replace('"P1 loose"', "P1 loose"),
        "line 8: has 38 values where 37 fields are declared; put names with blanks into quotation",
    ),
    "open quotation": (
        cgats(GOOD).replace('"dark red"', '"dark red'),
        "line 10: a quotation mark is not closed",
    ),
    "half a sign of utf-16": (cgats(GOOD).encode("utf-16")[:-1], "is not a text file"),
    "utf-16 without its mark": (csv(SHEET_COLUMNS).encode("utf-16-le"), "is not a text file"),
    "binary": (bytes(range(256)), "is not a text file"),
    "old workbook": (bytes.fromhex("d0cf11e0a1b11ae1") + b"\0" * 99, "the old .xls form"),
    "gap in a spectrum": (
        cgats(with_cell(GOOD, "SPECTRAL_NM500", 1, ""), sep="\t"),
        "line 9, column SPECTRAL_NM500: the spectrum has a gap; measure again",
    ),
    "gap in the wavelengths": (
        csv({n: c for n, c in SHEET_COLUMNS.items() if n != "r500"}),
        "the wavelengths have a gap after 490 nm; export 400 to 700 nm",
    ),
    "out of order": (
        cgats(renamed(GOOD, SPECTRAL_NM500="SPECTRAL_NM510", SPECTRAL_NM510="SPECTRAL_NM500")),
        "column SPECTRAL_NM500: wavelengths must rise, but 500 nm follows 510 nm",
    ),
    "repeated wavelength": (
        cgats(renamed(GOOD, SPECTRAL_NM500="nm490")),
        "column nm490: 490 nm stands there twice, as SPECTRAL_NM490 and as nm490",
    ),
    "repeated field": (
        cgats(GOOD).replace("SPECTRAL_NM500", "SPECTRAL_NM490"),
        "the field SPECTRAL_NM490 stands there twice",
    ),
    "repeated column": (
        csv(SHEET_COLUMNS).replace("r500", "r490"),
        "row 1, column r490: the column stands there twice",
    ),
    "short range": (
        cgats(fields(nm=np.arange(430, 671, 10))),
        "the spectra cover 430 to 670 nm only; 400 to 700 nm are needed",
    ),
    "step": (cgats(fields(nm=np.arange(380, 731, 30))), "the wavelengths stand 30 nm apart"),
    "nan": (
        cgats(with_cell(GOOD, "SPECTRAL_NM500", 1, "nan")),
        'line 9, column SPECTRAL_NM500: "nan" is not a number',
    ),
    "inf": (csv(with_cell(SHEET_COLUMNS, "r500", 1, "inf")), '"inf" is not a number'),
    "1e999": (
        csv(with_cell(SHEET_COLUMNS, "r500", 1, "1e999")),
        'row 3, column r500: "1e999" is too large for a number',
    ),
    "negative": (
        csv(with_cell(SHEET_COLUMNS, "r500", 1, -0.2)),
        "row 3: a reflectance factor of -0.2 is outside -0.01 to 1.2",
    ),
    "no light": (csv(first_reading(0)), "row 2: the spectrum is 0 throughout"),
    "percent or fraction": (
        cgats({"SAMPLE_ID": ["A"]} | {n: [3 * c[0]] for n, c in GOOD.items() if "NM" in n}),
        "may be fractions or percent; export Lab beside the spectra",
    ),
    "two scales": (
        csv(first_reading(100)),
        "row 2: the spectrum up to 82.9879 looks like percent and others like fractions",
    ),
    "two decimal marks": (
        csv(with_cell(SHEET_COLUMNS, "r500", 1, "0,25"), ";"),
        'row 3, column r500: "0,25" has a decimal comma, but',
    ),
    "decimal comma in a comma file": (
        "print_id,L,a,b\nA,50,5,-40,30\n",
        "has 5 cells under 4 column names",
    ),
    "no sample": (
        csv({n: c for n, c in SHEET_COLUMNS.items() if n != "print_id"}),
        "names no samples; export SAMPLE_NAME, SAMPLE_ID, or print_id",
    ),
    "empty sample": (
        csv(with_cell(SHEET_COLUMNS, "print_id", 1, "")),
        "row 3, column print_id: is empty",
    ),
    "signs that steer a terminal": (
        csv(with_cell(SHEET_COLUMNS, "print_id", 1, "P\x1b[2J")),
        "row 3, column print_id: ",
    ),
    "no colour": ("print_id,job_id\nA,B\n", "holds no reading with Lab or a spectrum"),
    "part of Lab": (
        "print_id,L,a\nA,50,20\n",
        "column L and a: stands there without the other of L, a, b",
    ),
    "Lab twice": (
        "print_id,L,a,b,L*\nA,50,20,10,50\n",
        "column L*: Lab l stands there twice, as L and as L*",
    ),
    "L too large in many": (
        "print_id,L,a,b\nA,120,20,10\nB,120,20,10\nC,120,20,10\n",
        "row 2, column L: 120 is outside 0 to 100, and so in 2 more rows",
    ),
    "L too large": ("print_id,L,a,b\nA,120,20,10\n", "row 2, column L: 120 is outside 0 to 100"),
    "row without colour": ("print_id,L,a,b\nA,,,\n", "row 2: has no colour"),
    "part of a row": ("print_id,L,a,b\nA,50,,1\n", "row 2, column a: is empty beside filled ones"),
    "Lab of another light": (
        cgats(
            {"SAMPLE_ID": ["A"], "LAB_L": [50], "LAB_A": [10], "LAB_B": [10]},
            'ILLUMINANT "D65"\nOBSERVER "10"',
        ),
        "line 9: gives Lab for D65/10 without a spectrum; the shop uses D50/2",
    ),
    "Lab and spectrum": (
        csv(SHEET_COLUMNS | {"L": [50] * 4, "a": [0] * 4, "b": [0] * 4}),
        "dE00 apart under D50/2, and so in 3 more rows; export both from the same reading",
    ),
    "mixed illuminants": (
        "print_id,L,a,b,illuminant\nA,50,1,1,D50\nB,50,1,1,D65\n",
        "column illuminant: mixes illuminants, D50 and D65; export one condition a file",
    ),
    "mixed in the header": (
        cgats(GOOD, 'WEIGHTING_FUNCTION "D50"\nWEIGHTING_FUNCTION "D65"'),
        "column WEIGHTING_FUNCTION: declares several illuminants, D50 and D65",
    ),
    "mixed backings": (
        cxf(
            cxf_object("A", cxf_spectrum(SPECTRA[0], "w"))
            + cxf_object("B", cxf_spectrum(SPECTRA[1], "k")),
            cxf_spec("w") + cxf_spec("k", backing="Black"),
        ),
        "mixes backings, white and black",
    ),
    "date for a name": (
        workbook(with_cell(SHEET_COLUMNS, "print_id", 1, pd.Timestamp(2026, 3, 12))),
        "row 3, column print_id: 2026-03-12 is a date: Excel has changed a sample's name into it",
    ),
    "date for a decimal": (
        workbook(with_cell(SHEET_COLUMNS, "r500", 0, pd.Timestamp(2026, 5, 1))),
        "row 2, column r500: 2026-05-01 is a date: Excel has changed a decimal into it",
    ),
    "date in a csv name": (
        csv(with_cell(SHEET_COLUMNS, "print_id", 1, "12-Mar")),
        'row 3, column print_id: "12-Mar" is a date: a spreadsheet has changed the name',
    ),
    "date in a csv number": (
        csv(with_cell(SHEET_COLUMNS, "r500", 1, "01. Mai")),
        'row 3, column r500: "01. Mai" is a date where a number belongs',
    ),
    "number cut short": (
        csv(with_cell(SHEET_COLUMNS, "print_id", 1, "2.0260331E+11")),
        "is a number cut short by a spreadsheet",
    ),
    "zip bomb": (BOMB, "unpacks to more than 60 MB"),
    "too many cells": (bomb(b"<c/>" * 5_000_000), "holds more cells than any day's readings"),
    "lying zip bomb": (lying(BOMB), "is damaged: it cannot be unpacked"),
    "zip": (inside(workbook(SHEET_COLUMNS), {SHEET: b"<worksheet>"}), "its sheets cannot be read"),
    "cut workbook": (workbook(SHEET_COLUMNS)[:-300], "is damaged"),
    "entities in a workbook": (
        inside(workbook(SHEET_COLUMNS), {SHEET: HEAVY.encode() + b"<worksheet>&f;</worksheet>"}),
        "declares a document type inside",
    ),
    "entities": (cxf().replace("?>", "?>" + HEAVY, 1), "declares a document type or entities"),
    "external entity": (
        cxf().replace("?>", '?><!DOCTYPE a [<!ENTITY e SYSTEM "file:///etc/passwd">]>', 1),
        "declares a document type or entities",
    ),
    "deep": ("<a>" * 100_000, "elements are nested more than 50 deep"),
    "cut xml": (cxf()[:2000], "is not sound XML"),
    "latin xml": (cxf().replace("P1", "Grün").encode("latin-1"), "is not sound XML"),
    "unknown encoding": (cxf().replace("UTF-8", "x-none"), "in an encoding that cannot be read"),
    "other xml": ("<html><body/></html>", "is XML, but neither CxF3 nor samples with the keywords"),
    "cxf word": (cxf().replace("0.0", "0,x", 1), "object 'P1', column nm380: "),
    "cxf short": (
        cxf(cxf_object("A", cxf_spectrum(SPECTRA[0][:20]))),
        "the spectra cover 380 to 570 nm only",
    ),
    "cxf start": (cxf().replace(' StartWL="380">', ' StartWL="400">', 1), "two contradicting"),
    "cxf reference": (
        cxf().replace('ColorSpecification="M1"', 'ColorSpecification="M7"', 1),
        "object 'P1': the colour specification \"M7\" is not in the file",
    ),
    "cxf Lab": (cxf().replace("<cc:L>", "<cc:L>x", 1), "object 'P1', column LAB_L: "),
    "huge": (b"a,b\n" * 6_000_000, "is larger than 20 MB; split it"),
    "wide": (",".join(f"c{i}" for i in range(1200)) + "\n1\n", "has more than 1000 columns"),
    "long line": ("CGATS.17 " + "x " * 60_000, "line 1: is longer than 100000 signs"),
    "many lines": ("CGATS.17" + "\n" * 200_001, "has more than 200000 lines"),
    "many attributes": (
        "<a " + " ".join(f'a{i}=""' for i in range(1001)) + "/>",
        "has more than 1000 columns",
    ),
    "long tag": (
        "<a " + " ".join(f'a{i}=""' for i in range(110_000)) + "/>",
        "holds an element of more than 1 MB",
    ),
    "long number": (
        csv(with_cell(SHEET_COLUMNS, "r500", 1, "9" * 4000)),
        "is too large for a number",
    ),
    "long": ("print_id,L,a,b\n" + "A,5,5,5\n" * 20_001, "holds more than 20000 readings"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_refused_in_a_sentence(case, tmp_path):
    content, part = BAD[case]
    assert part in refused(tmp_path, content)


def test_a_damaged_workbook_is_named_so(tmp_path):
    book = tmp_path / "export.XLSX"
    book.write_bytes(bytes(range(256)))
    with pytest.raises(UserError, match=r"is damaged: it is no workbook; save the workbook again"):
        read_measured(book, SHOP)


def test_what_is_no_file_is_refused(tmp_path):
    for path, part in ((tmp_path, "is a folder"), (tmp_path / "x.csv", "there is no such file")):
        with pytest.raises(UserError, match=part):
            read_measured(path, SHOP)
