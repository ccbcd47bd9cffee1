"""Tables as people keep them: titles, words of several languages, decimal commas, notes."""

from __future__ import annotations

import csv
import io
import random
from datetime import datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.tables.folder import known_in, read_setups
from pipelines.tables.headers import meaning
from pipelines.tables.names import Entry, Names
from pipelines.tables.reading import table_of
from pipelines.tables.schema import INKS, MESHES, PRINTS, SETUPS, SUBSTRATES, Table
from pipelines.tasks.importing import in_tables
from pipelines.workspace.problems import Findings, InputProblems
from tests.tables.reading import read, refused
from tests.tiny_shop import SETUPS as JOBS
from tests.tiny_shop import TINY, with_cell

HEAD = ["Print", "Garment", "Ink", "Mesh (T/cm)", "Strokes", "Flash", "L*", "a*", "b*"]
ROW = ["R1", "tee-black", "007", "77-55", 2, 1, "45,3", "58,2", "-31,0"]


def book(*rows: list, title: str = "Sheet", **others: list[list]) -> bytes:
    """The bytes of a workbook: one sheet of rows, and others by title."""
    made = openpyxl.Workbook()
    made.remove(made.worksheets[0])
    for name, cells in {title: rows, **others}.items():
        sheet = made.create_sheet(name)
        for row in cells:
            sheet.append(row)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def understood(data: bytes, table: Table = PRINTS) -> tuple[pd.DataFrame | None, Findings]:
    findings = Findings()
    return table_of(data, table, "book.xlsx", findings), findings


def refusal(data: bytes, table: Table = PRINTS) -> str:
    _, findings = understood(data, table)
    assert findings.problems
    return "\n".join(map(str, findings.problems))


@pytest.mark.parametrize(
    ("table", "header", "column"),
    [
        (PRINTS, "Garment", "substrate_id"),
        (PRINTS, "Mesh (T/cm)", "mesh_id"),
        (MESHES, "Mesh (T/cm)", "threads_per_cm"),
        (MESHES, "Mesh", "mesh_id"),
        (MESHES, "Fadenstärke [µm]", "thread_um"),
        (MESHES, "Offene Siebfläche (%)", "open_area_pct"),
        (PRINTS, "L*", "L"),
        (PRINTS, "Flash", "flash_count"),
        (PRINTS, "Squeegee (Shore A)", "squeegee_shore_a"),
        (PRINTS, "Rakelhärte", "squeegee_shore_a"),
        (PRINTS, "Off contact (mm)", "off_contact_mm"),
        (PRINTS, "Off-contact, mm", "off_contact_mm"),
        (PRINTS, "Date", "printed_on"),
        (PRINTS, "Druckdatum", "printed_on"),
        (PRINTS, "Encre", "ink_id"),
        (PRINTS, "Mesh (base)", "underbase_mesh_id"),
        (PRINTS, "Strokes (top ink)", "strokes"),
        (PRINTS, "400 nm", "r400"),
        (SETUPS, "Ziel L*", "target_L"),
        (SETUPS, "Tolerance (dE00)", "tolerance_dE00"),
        (SUBSTRATES, "Colour", "colour_name"),
        (INKS, "Solids (vol-%)", "solids_vol_pct"),
        (INKS, "Festkörper (Vol%)", "solids_vol_pct"),
        (INKS, "Farb-Nr.", "ink_id"),
        (SUBSTRATES, "Textilnr", "substrate_id"),
        (PRINTS, "Auftragsnr.", "job_id"),
        (INKS, "auch genannt", "aliases"),
        (MESHES, "T/cm", "threads_per_cm"),
        (PRINTS, "T/cm", None),
        (PRINTS, "Delta", None),
        (PRINTS, "Operator", None),
    ],
)
def test_words_of_people(table, header, column):
    assert meaning(table, header).columns == (() if column is None else (column,)) or (
        meaning(table, header).columns[0] == column
    )


@pytest.mark.parametrize("number", ["Farbnr", "Farbe Nr", "Nr.", "Ink code"])
def test_a_number_is_the_identifier_and_the_word_beside_it_the_name(number):
    rows = ["Farbe", number, "Typ", "Rolle"], ["Leuchtrot", "F1", "plastisol", "colour"]
    cells, _ = understood(book(*rows), INKS)
    assert cells is not None
    assert cells.loc[2, ["ink_id", "ink_name"]].tolist() == ["F1", "Leuchtrot"]


def test_where_there_are_no_names_the_word_is_the_ink_and_not_its_number():
    cells, findings = understood(book([*HEAD, "Inknr"], [*ROW, "4711"]))
    assert cells is not None
    assert cells["ink_id"].tolist() == ["007"]
    assert "column Inknr is not known" in " ".join(findings.warnings)


def test_a_table_under_a_title_with_notes_below(tmp_path):
    cells, findings = understood(
        book(
            ["Prints of week 12"],
            [],
            [None, "measured by hand"],
            HEAD,
            ROW,
            ["R2", "tee-black", "blue", "77-55", 1, "-", 20.5, "4,0", "-20,7"],
            [],
            ["Total", None, None, None, 3],
            ["all measured over black"],
        )
    )
    assert cells is not None
    assert cells.index.tolist() == [5, 6]  # the file's own numbers
    assert cells.loc[6].tolist() == ["R2", "tee-black", "blue", "77-55", "1", "", "20.5", "4.0",
                                     "-20.7"]  # fmt: skip
    [said] = findings.warnings
    assert "the table begins in row 4" in said
    assert '"Garment" as' not in said, "as strikeoff start writes it"
    assert '"Mesh (T/cm)" as mesh_id' in said
    assert "left out as totals or notes: rows 8 and 9" in said


def test_a_cell_that_shows_per_cent_is_read_as_it_is_shown():
    made = openpyxl.Workbook()
    for row in (["Ink", "Solids %"], ["C1", 0.355], ["C2", 1], ["C3", 40], ["C4", 0.5]):
        made.active.append(row)
    for row, shown in ((2, "0.0%"), (3, "0%"), (5, '0.0" %"')):
        made.active.cell(row, 2).number_format = shown
    out = io.BytesIO()
    made.save(out)
    cells, _ = understood(out.getvalue(), INKS)
    assert cells is not None
    assert cells["solids_vol_pct"].tolist() == ["35.5", "100", "40", "0.5"]


def test_a_total_under_a_table_that_needs_little_is_no_ink():
    rows = [
        ["Ink", "Name", "Solids %"],
        ["C1", "red", "60"],
        ["C2", "", "55"],
        [],
        ["Total", "", "60"],
    ]
    cells, findings = understood(book(*rows), INKS)
    assert cells is not None
    assert cells["ink_id"].tolist() == ["C1", "C2"]
    assert "left out as totals or notes: row 5" in " ".join(findings.warnings)
    cells, _ = understood(book(*rows[:-1], ["Total", "white", "60"]), INKS)
    assert cells is not None
    assert cells["ink_id"].tolist() == ["C1", "C2", "Total"], "an ink that is called so"


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (
            [[*HEAD, "Screen"], [*ROW, "x"]],
            'row 1: "Mesh (T/cm)" and "Screen" are both read as mesh_id; keep one of them',
        ),
        (
            [[*HEAD[:6], "L* (D65)", "a*", "b*"], ROW],
            'what stands beside the name in "L* (D65)" is not understood',
        ),
        (
            [["Off contact (inch)", *HEAD], [0.1, *ROW]],
            'beside the name in "Off contact (inch)" is not understood; name the unit that',
        ),
        ([HEAD[:3] + HEAD[4:], ROW[:3] + ROW[4:]], "row 1, column mesh_id: the column is missing"),
        ([["nothing"], ["here"]], "no sheet has a row that names the columns of prints"),
        (
            [HEAD, [*ROW[:3], datetime(2026, 4, 3), *ROW[4:]]],
            "row 2, column mesh_id: 2026-04-03 is a date: Excel has changed",
        ),
    ],
)
def test_what_is_not_plain_is_refused(rows, said):
    assert said in refusal(book(*rows))


def test_one_sheet_is_chosen_by_its_columns_then_by_its_title():
    both = book(HEAD, ROW, title="Prints", other=[HEAD, ["R9", *ROW[1:]]], about=[["read me"]])
    cells, findings = understood(both)
    assert cells is not None and cells["print_id"].tolist() == ["R1"]
    assert "book.xlsx: read from the sheet Prints." in findings.warnings
    two = book(HEAD, ROW, title="Monday", Tuesday=[HEAD, ROW])
    assert 'the sheets "Monday" and "Tuesday" both look like prints' in refusal(two)


def test_our_own_names_are_taken_as_they_stand():
    odd = TINY["prints.csv"].replace(",J1,", ",-1-,").replace("2025-03-09", "09.03.20x5")
    cells, findings = understood(odd.encode())
    reader = list(csv.reader(io.StringIO(odd)))
    assert cells is not None and cells.to_numpy().tolist() == reader[1:]
    assert findings.warnings == []


def test_words_for_nothing_are_no_code_but_a_name_may_be_one():
    """Prints of job "-" are of no one job; an ink may be called None."""
    head, first, *rest = TINY["prints.csv"].splitlines()
    cells, _ = understood("\n".join([head, first.replace(",J1,", ",-,"), *rest]).encode())
    assert cells is not None and cells["job_id"].tolist() == ["", "", "J2"]
    inks = b"ink_id,ink_name,ink_type,role,solids_vol_pct\nX,None,plastisol,colour,n/a\n"
    cells, _ = understood(inks, INKS)
    assert cells is not None and cells.iloc[0].tolist()[1::3] == ["None", ""]


@pytest.mark.parametrize("head", ["ink_lot,setup_id,job_id", "Charge,Nr,Auftrag"])
def test_a_set_up_of_no_lot_in_particular_is_not_one_of_the_lot_last_printed(head):
    rows = "none,A,-,G1,F1,43-80,1,0\n-,B,J1,G1,F1,43-80,1,0\n"
    table = f"{head},substrate_id,ink_id,mesh_id,strokes,flash_count\n{rows}"
    cells, _ = understood(table.encode(), SETUPS)
    assert cells is not None
    assert cells["ink_lot"].tolist() == ["none", ""] and cells["job_id"].tolist() == ["", "J1"]


def test_a_whole_column_that_fails_for_one_reason_refuses_the_file_in_one_sentence(tmp_path):
    rows = "".join(
        f'R{i},,,,tee-black,,,,blue,,77-55,1,,,"2{i},5","4,1","-20,75",\n' for i in range(5)
    )
    message = refused(tmp_path, prints=TINY["prints.csv"].splitlines()[0] + "\n" + rows)
    assert len(message.splitlines()) == 1
    assert "prints.csv, column L, a, b: nothing in these columns can be used (row 2: " in message
    assert "decimal comma" in message and "4 more rows alike" in message
    fractions = TINY["inks.csv"].replace("98", "0.98").replace("45.50", "0.45")
    fractions = fractions.replace("colour,\n", "colour,0.5\n")
    message = refused(tmp_path / "inks", inks=fractions)
    assert "inks.csv, column solids_vol_pct: nothing in the column can be used" in message
    assert len(message.splitlines()) == 1


WORDS = {
    "setup_id": ["Set-up", "Nr."],
    "substrate_id": ["Garment", "Textil", "Prenda"],
    "underbase_ink_id": ["Base", "Unterdruck", "Sous-couche"],
    "underbase_mesh_id": ["Base mesh", "Mesh (base)"],
    "underbase_strokes": ["Base strokes", "Strokes (base)"],
    "ink_id": ["Ink", "Druckfarbe", "Encre", "Tinta"],
    "mesh_id": ["Mesh (T/cm)", "Sieb", "Screen"],
    "strokes": ["Strokes", "Züge"],
    "flash_count": ["Flash", "Flashes", "Zwischentrocknung"],
    "target_L": ["Target L*", "Ziel L*"],
    "target_a": ["Target a*", "Ziel a*"],
    "target_b": ["Target b*", "Ziel b*"],
    "tolerance_dE00": ["Tolerance", "Toleranz (dE00)"],
}
KNOWN = {
    "inks": Names([Entry(one, "ink") for one in ("white", "007", "blue")]),
    "substrates": Names([Entry("tee-black", "garment")]),
    "meshes": Names([Entry(one, "mesh") for one in ("43-80", "77-55")]),
}


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), excel=st.booleans())
def test_human_headers_titles_and_decimal_commas_equal_the_standard_file(
    tmp_path_factory, seed, excel
):
    rng = random.Random(seed)
    header, *records = csv.reader(io.StringIO(JOBS.replace(",46,58,31,2", ",46.5,58.25,-3.1,1.5")))
    order = rng.sample(range(len(header)), len(header))
    rows = [[rng.choice(WORDS[header[i]]) for i in order]]
    for record in records:
        cells = [record[i].replace(".", ",") or rng.choice(["", "-", "n/a"]) for i in order]
        rows.append(cells)
    above = [["Jobs; of the week"], []][: rng.randint(0, 2)]
    below = rng.choice([[], [["", "", ""], ["checked by nobody"]]])
    folder = tmp_path_factory.mktemp("jobs")
    (folder / "plain.csv").write_text(JOBS.replace(",46,58,31,2", ",46.5,58.25,-3.1,1.5"))
    name = "jobs.xlsx" if excel else "jobs.csv"
    if excel:
        (folder / name).write_bytes(book(*above, *rows, *below))
    else:
        out = io.StringIO()
        csv.writer(out, delimiter=";").writerows([*above, *rows, *below])
        (folder / name).write_text(out.getvalue(), encoding="utf-8")
    plain, _ = read_setups(folder / "plain.csv", KNOWN)
    theirs, warnings = read_setups(folder / name, KNOWN)
    pd.testing.assert_frame_equal(plain, theirs)
    row = len(above) + 1
    assert (f"the table begins in row {row}" in warnings[0]) == (row > 1)


def test_problems_name_the_row_of_the_file(tmp_path: Path):
    rows = [["title"], HEAD[:6], [*ROW[:4], "two", 1], [*ROW[:4], 3, 1]]
    (tmp_path / "jobs.xlsx").write_bytes(book(*rows))
    with pytest.raises(InputProblems, match='row 3, column "Strokes": ') as error:
        read_setups(tmp_path / "jobs.xlsx", KNOWN)
    assert 'row 4, column "Print" (setup_id): "R1" stands in row 3 already' in str(error.value)


def test_a_folder_may_hold_tables_under_other_words(tmp_path):
    inks = TINY["inks.csv"].replace(
        "ink_id,ink_name,ink_type,role,solids_vol_pct", "Code,Name,Type,Used as,Solids (vol-%)"
    )
    checked = read(tmp_path, inks="Our inks\n\n" + inks)
    assert checked.shop.inks["ink_id"].tolist() == ["white", "007", "blue"]
    assert 'inks.csv, inks: the table begins in row 3; read "Code" as ink_id' in checked.warnings[0]


def test_a_mistake_names_the_column_as_it_stands_in_the_file(tmp_path):
    """Of what is refused as of what is set aside; why is kept under our own name."""
    words = {"ink_id": "Druckfarbe", "strokes": "Züge", "mesh_id": "Sieb"}

    def headed(file: str, row: int, column: str, cell: str) -> str:
        head, *rows = with_cell(file, row, column, cell).splitlines()
        named = [words.get(name, name) for name in head.split(",")]
        return "\n".join([",".join(named), *rows, ""])

    said = refused(tmp_path, drawdowns=headed("drawdowns.csv", 2, "ink_id", "C99"))
    assert said.startswith('drawdowns.csv, row 2, column "Druckfarbe" (ink_id): "C99" is not in')
    found = read(tmp_path, prints=headed("prints.csv", 3, "strokes", "0"))
    assert found.given.set_aside == {3: 'strokes: "0" is outside 1 to 20'}
    told = in_tables("tiny", found, "", "Imported")
    assert told[-1] == '  prints.csv, row 3, P2: "Züge" (strokes): "0" is outside 1 to 20'
    jobs = JOBS.replace("strokes,flash", "Passes,flash").replace("77-55,2,1", "77-55,two,1")
    (tmp_path / "jobs.csv").write_text(jobs, encoding="utf-8")
    with pytest.raises(InputProblems) as error:
        read_setups(tmp_path / "jobs.csv", known_in(found.given.tables))
    assert 'jobs.csv, row 2, column "Passes" (strokes): "two" is not a number' in str(error.value)
