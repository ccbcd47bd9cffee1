"""Reading a shop's tables: what is accepted, what is set aside, what is refused and how."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.cli import main
from pipelines.tables.cells import typed
from pipelines.tables.folder import read_folder
from pipelines.tables.schema import MESHES
from pipelines.tables.spectra import SPECTRUM
from pipelines.workspace.problems import InputProblems, Kind
from tests.tables.reading import TODAY, read, refused
from tests.tiny_shop import TINY, spectrum, with_cell, without_column, write_shop

TO_COME = "not a date a print can have: it is measured, and that day is still to come"


def test_frames_carry_types_and_all_columns(tmp_path):
    checked = read(tmp_path)
    shop = checked.shop
    assert (shop.settings.name, shop.settings.tolerance_dE00) == ("Invented tiny shop", 2.5)
    assert shop.inks["ink_id"].tolist() == ["white", "007", "blue"]  # the text, not a number
    assert shop.inks["ink_name"].tolist()[1:] == ["Red, warm", "Blau Größe 3"]
    assert np.isnan(shop.inks["solids_vol_pct"][1])
    assert shop.drawdowns["film_um"].tolist() == [50.0, np.inf]
    assert shop.substrates[SPECTRUM].notna().all(axis=1).tolist() == [False, True]
    prints = shop.prints
    assert prints["underbase_ink_id"].tolist() == ["white", None, "white"]
    assert prints["printed_on"].dtype == "datetime64[ns]"
    assert prints["printed_on"].isna().tolist() == [False, True, False]
    assert prints["flash_count"].tolist() == [1, 0, 0]  # one stroke leaves no room for a flash
    assert prints[["eom_um", "off_contact_mm", "r550"]].isna().all(axis=None)
    assert checked.warnings == []
    assert checked.set_aside == []


@pytest.mark.parametrize(
    ("column", "cell", "reason"),
    [
        ("L", "140", 'L: "140" is outside 0 to 100'),
        ("L", "-3", 'L: "-3" is outside 0 to 100'),
        ("a", "151", 'a: "151" is outside -150 to 150'),
        ("b", "NaN", 'b: "NaN" is not a number'),
        ("b", "", "one of L, a, b is filled and another is empty"),
        ("L", "1_0", 'L: "1_0" is not a number'),
        ("ink_id", "bleu", 'ink_id: "bleu" is not in inks.csv'),
        ("ink_id", "tee-black", 'ink_id: "tee-black" is the garment Black (tee-black)'),
        ("substrate_id", "blue", 'substrate_id: "blue" is the ink Blau Größe 3 (blue)'),
        ("ink_id", "", "ink_id: is empty"),
        ("substrate_id", "tee-pink", 'substrate_id: "tee-pink" is not in substrates.csv'),
        ("mesh_id", "120-34", 'mesh_id: "120-34" is not in meshes.csv'),
        ("underbase_ink_id", "grey", 'underbase_ink_id: "grey" is not in inks.csv'),
        (
            "underbase_ink_id",
            "",
            "underbase_ink_id: is empty although an underbase mesh or stroke count is given",
        ),
        ("strokes", "0", 'strokes: "0" is outside 1 to 20'),
        ("strokes", "1.5", 'strokes: "1.5" is not a whole number'),
        ("strokes", "", "strokes: is empty"),
        ("flash_count", "2", "flash_count: 2 flashes do not fit between 2 strokes"),
        ("printed_on", "2025-02-30", 'printed_on: "2025-02-30" is not a date'),
        ("printed_on", "01.13.2025", 'printed_on: "01.13.2025" is not a date'),
        ("printed_on", "2052-03-01", f'printed_on: "2052-03-01" is {TO_COME}'),
        ("readings", "0", 'readings: "0" is outside 1 to 1000'),
        ("printed_on", "1925-03-01", 'printed_on: "1925-03-01" is not a date a print can have'),
        (
            "printed_on",
            f"{TODAY + timedelta(days=2)}",
            f'printed_on: "{TODAY + timedelta(days=2)}" is {TO_COME}',
        ),
    ],
)
def test_a_print_that_cannot_be_right_is_set_aside(tmp_path, column, cell, reason):
    prints = with_cell("prints.csv", 2, column, cell)
    checked = read(tmp_path, prints=prints)
    assert checked.given.set_aside == {2: reason}
    assert checked.shop.prints["print_id"].tolist() == ["P2", "P3"]
    assert len(checked.given.tables["prints"]) == 3, "it is kept as it was given"
    with pytest.raises(InputProblems, match=r"prints\.csv, row 2"):
        read(tmp_path, prints=prints, strict=True)


def test_a_choice_is_read_however_it_is_spelt(tmp_path):
    inks = TINY["inks.csv"].replace("water_based,colour", "Waterbased,Color")
    shop = read(tmp_path, inks=inks.replace("plastisol,colour", ",colour")).shop
    assert shop.inks["ink_type"].tolist() == ["plastisol", None, "water_based"]
    assert shop.inks["role"].tolist() == ["underbase", "colour", "colour"]


def test_a_print_of_today_or_of_a_clock_ahead_is_used(tmp_path):
    prints = with_cell("prints.csv", 2, "printed_on", f"{TODAY + timedelta(days=1)}T23:59")
    assert read(tmp_path, prints=prints).set_aside == []


def test_a_print_without_any_colour_is_set_aside(tmp_path):
    prints = TINY["prints.csv"].replace("46.00,58.2,31.0", ",,")
    assert read(tmp_path, prints=prints).given.set_aside == {2: "has no colour"}


def test_a_near_name_is_offered(tmp_path):
    prints = with_cell("prints.csv", 2, "ink_id", "bleu")
    [fault] = read(tmp_path, prints=prints).set_aside
    assert str(fault) == (
        'prints.csv, row 2, column ink_id: "bleu" is not in inks.csv; add it to inks.csv or '
        'correct it (is "blue Blau Größe 3" meant?).'
    )


@pytest.mark.parametrize(
    ("column", "cell", "kind"),
    [
        ("print_id", "", Kind.MISSING),
        ("print_id", "P2", Kind.DUPLICATE),
        ("ink_id", "bleu", Kind.UNKNOWN),
        ("printed_on", "1 March", Kind.UNREADABLE),
        ("printed_on", "1925-03-01", Kind.OUT_OF_RANGE),
        ("L", "x", Kind.UNREADABLE),
        ("L", "140", Kind.OUT_OF_RANGE),
        ("flash_count", "2", Kind.CONTRADICTION),
        ("underbase_ink_id", "", Kind.CONTRADICTION),
    ],
)
def test_a_problem_says_its_kind(tmp_path, column, cell, kind):
    with pytest.raises(InputProblems) as error:
        read(tmp_path, strict=True, prints=with_cell("prints.csv", 2, column, cell))
    assert {problem.kind for problem in error.value.problems} == {kind}


HEAD = TINY["inks.csv"].splitlines()[0] + "\n"
PERCENT = TINY["substrates.csv"].replace(
    ",".join(spectrum(0.85)), ",".join(f"{100 * float(r):.1f}" for r in spectrum(0.85))
)
HOLE = TINY["substrates.csv"].replace("0.8500", "", 1)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"prints": None}, ["prints.csv: the file is missing; put it into"]),
        ({"inks": ""}, ["inks.csv: is empty; write the header row and the rows below it."]),
        ({"inks": HEAD}, ["inks.csv: holds no rows below its header; describe the inks"]),
        ({"inks": "PK\0\0"}, ["inks.csv: is not a CSV text file; save"]),
        (
            {"prints": without_column("prints.csv", "mesh_id")},
            ["prints.csv, row 1, column mesh_id: the column is missing; add it."],
        ),
        (
            {"prints": without_column("prints.csv", "mesh_id", "flash_count", "substrate_id")},
            [
                "prints.csv, row 1: the columns substrate_id, mesh_id and flash_count are missing; "
                "add them, flash_count with empty cells where not known."
            ],
        ),
        (
            {"prints": TINY["prints.csv"].replace("mesh_id,strokes", "MeshID,strokes")},
            ['column mesh_id: the column is missing; rename "MeshID" to mesh_id.'],
        ),
        (
            {"prints": without_column("prints.csv", "b")},
            ["prints.csv, row 1, column b: the column is missing beside L and a;"],
        ),
        (
            {"prints": without_column("prints.csv", "L", "a", "b")},
            ["prints.csv, row 1: no colour columns; add L, a, b or a spectrum r400"],
        ),
        (
            {"substrates": without_column("substrates.csv", "r520")},
            ["substrates.csv, row 1: the spectrum columns have a gap at 520 nm; give r400"],
        ),
        (
            {"inks": TINY["inks.csv"] + "blue,Blau Größe 3,water_based,colour,45.50\n"},
            ['inks.csv, row 5, column ink_id: "blue" stands in row 4 already; keep one of the two'],
        ),
        (
            {"inks": TINY["inks.csv"] + "blue,Blau,plastisol,colour,45.50\n"},
            ['column ink_id: "blue" stands in row 4 already, with another ink_name; keep'],
        ),
        (
            {"prints": with_cell("prints.csv", 3, "print_id", "P1")},
            ['prints.csv, row 3, column print_id: "P1" stands in row 2 already'],
        ),
        (
            {"inks": TINY["inks.csv"].replace("98", "0.98")},
            ["solids_vol_pct", "in percent (100 for none lost), not a fraction"],
        ),
        (
            {"inks": TINY["inks.csv"].replace("water_based", "oil")},
            ['column ink_type: "oil" is none of plastisol, water_based, discharge, silicone'],
        ),
        (
            {"substrates": PERCENT},
            ["column r400 to r700: the spectra go up to 85 and look like percent; divide"],
        ),
        (
            {"substrates": HOLE},
            ["row 3, column r400: is empty in a spectrum that is otherwise filled"],
        ),
        (
            {"substrates": TINY["substrates.csv"].replace("17.2,0.4,-0.9", ",,")},
            ["substrates.csv, row 2: has no colour;"],
        ),
        (
            {"drawdowns": with_cell("drawdowns.csv", 2, "film_um", "0")},
            ['drawdowns.csv, row 2, column film_um: "0" is outside 0.1 to 5000; give the dry'],
        ),
        (
            {"drawdowns": with_cell("drawdowns.csv", 2, "ink_id", "9")},
            ['drawdowns.csv, row 2, column ink_id: "9" is not in inks.csv'],
        ),
        (
            {"inks": TINY["inks.csv"].replace('"Red, warm"', '"Red')},
            ["inks.csv, row 3: the quotation marks do not match up"],
        ),
        (
            {"inks": TINY["inks.csv"].replace("Blau Größe", "Blau, Größe")},
            ["inks.csv, row 4: has 6 cells under 5 column names; put quotation marks"],
        ),
        (
            {"prints": TINY["prints.csv"].replace("46.00,58.2", '"46,0",58.2').replace("L7", "")},
            [],  # a decimal comma in a comma file: set aside, see below
        ),
        ({"shop": 'illuminant = "moon"'}, ["shop.toml, illuminant: 'moon' is none of"]),
        ({"shop": "tolerance_dE00 = two"}, ["shop.toml: cannot be read (Invalid value"]),
        ({"shop": 'confidence = "90"'}, ["shop.toml, confidence: '90' is not a number"]),
    ],
)
def test_an_unusable_table_is_refused_in_one_sentence(tmp_path, changes, said):
    if not said:
        reasons = read(tmp_path, **changes).given.set_aside
        assert reasons == {2: 'L: "46,0" has a decimal comma in a comma-separated file'}
        return
    message = refused(tmp_path, **changes)
    for words in said:
        assert words in message
    assert len(message.splitlines()) == 1, message


def test_all_problems_of_all_files_come_at_once(tmp_path):
    message = refused(
        tmp_path,
        inks=TINY["inks.csv"].replace("98", "0.98").replace("water_based", "oil"),
        meshes=None,
        drawdowns=with_cell("drawdowns.csv", 3, "film_um", "-1"),
    )
    lines = message.splitlines()
    assert [line.split(":")[0].split(",")[0] for line in lines[:-1]] == [
        *("inks.csv", "inks.csv", "meshes.csv", "drawdowns.csv")
    ]
    assert lines[-1] == "4 problems. Nothing was changed."


def test_dates_that_may_be_two_days_refuse_the_file_in_one_sentence(tmp_path):
    prints = TINY["prints.csv"].replace("2025-03-01", "01/03/2025")
    prints = prints.replace("2025-03-09", "09/03/2025").replace("P2,,", "P2,05/03/2025,")
    message = refused(tmp_path, prints=prints)
    assert 'row 2, column printed_on: "01/03/2025" may be 1 March 2025 or 3 January' in message
    assert len(message.splitlines()) == 1
    plain = read(tmp_path / "day", prints=prints.replace("05/03", "25/03"))
    assert [f"{day:%d %m}" for day in plain.shop.prints["printed_on"]] == [
        "01 03",
        "25 03",
        "09 03",
    ]


def test_a_shop_without_prints_goes_in(tmp_path):
    header = TINY["prints.csv"].splitlines()[0] + "\n"
    checked = read(tmp_path, prints=header)
    assert checked.shop.prints.empty
    assert checked.shop.prints["L"].dtype == float


def test_press_columns_may_be_absent_altogether(tmp_path):
    absent = ("printed_on", "job_id", "press_id", "ink_lot", "squeegee_shore_a", "readings")
    checked = read(tmp_path, prints=without_column("prints.csv", *absent))
    assert len(checked.shop.prints) == 3
    assert checked.shop.prints[list(absent)].isna().all(axis=None)


def test_unknown_flashes_and_what_is_unknown_of_a_base_are_kept_and_told(tmp_path):
    prints = TINY["prints.csv"].replace("43-80,2,007,,77-55,2,1", ",,007,,77-55,2,")
    checked = read(tmp_path, prints=prints)
    assert checked.shop.prints["flash_count"].isna().tolist() == [True, False, False]
    assert pd.isna(checked.shop.prints["underbase_mesh_id"][0])
    assert checked.warnings == [
        "prints.csv: 1 row with several strokes has no flash_count; taken as is usual here, "
        "though not surely.",
        "prints.csv: 1 row has a base and no underbase_mesh_id; taken as one of the meshes that "
        "bases go through here, though not surely.",
        "prints.csv: 1 row has no underbase_strokes; taken as bases are mostly printed here, "
        "though not surely.",
    ]


def test_solids_left_open_are_told_of_inks_that_lose_much(tmp_path):
    inks = without_column("inks.csv", "solids_vol_pct")
    told = read(tmp_path, inks=inks).warnings
    assert [one for one in told if "solids_vol_pct" in one] == [
        "inks.csv: 1 water-based or discharge ink without solids_vol_pct; taken as the shop's "
        "other inks of that type have it, or as is usual."
    ]
    assert not [one for one in read(tmp_path).warnings if "solids_vol_pct" in one]


def test_an_unknown_column_is_kept_out_and_named(tmp_path):
    prints = (
        TINY["prints.csv"]
        .replace("readings\n", "readings,operator\n")
        .replace("31.0,3", "31.0,3,Jo")
    )
    checked = read(tmp_path, prints=prints)
    assert checked.warnings == ["prints.csv: column operator is not known and was kept out."]
    assert "operator" not in checked.given.tables["prints"]


CELLS = st.one_of(
    st.text(max_size=8),
    st.sampled_from(["", "NaN", "inf", "-1", "1e400", "0", "50", "bucket", "P1", "2025-13-01"]),
    st.floats(allow_nan=False).map(str),
)


@settings(max_examples=25, suppress_health_check=list(HealthCheck))
@given(
    file=st.sampled_from([file for file in TINY if file.endswith(".csv")]),
    row=st.integers(1, 3),
    at=st.integers(0, 60),
    cell=CELLS,
)
def test_any_cell_is_read_or_told(tmp_path_factory, file, row, at, cell):
    import csv
    import io

    records = list(csv.reader(io.StringIO(TINY[file])))
    records[row - 1][at % len(records[0])] = cell
    out = io.StringIO(newline="")
    csv.writer(out).writerows(records)
    folder = write_shop(tmp_path_factory.mktemp("any"))
    (folder / file).write_bytes(out.getvalue().encode("utf-8", "surrogatepass"))
    try:
        read_folder(folder, name="tiny", today=TODAY)
    except InputProblems as error:
        told = {problem.file for problem in error.problems}
        assert told and told <= set(TINY)


@settings(max_examples=25, suppress_health_check=list(HealthCheck))
@given(data=st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_any_bytes_are_read_or_told(tmp_path_factory, data):
    folder = write_shop(tmp_path_factory.mktemp("any"))
    for file in ("prints.csv", "shop.toml"):
        (folder / file).write_bytes(data)
    try:
        read_folder(folder, name="tiny", today=TODAY)
    except InputProblems as error:
        assert error.problems  # noqa: PT017  it need not be raised


def test_a_refusal_tells_how_headers_were_read(tmp_path, capsys):
    inks = TINY["inks.csv"].replace("ink_id", "Farbe", 1).replace("ink_type", "Sorte", 1)
    write_shop(tmp_path, inks=inks)
    with pytest.raises(InputProblems, match="ink_type: the column is missing") as error:
        read_folder(tmp_path, name="s")
    assert '"Farbe" as ink_id' in error.value.notes[0]
    assert main(["import", str(tmp_path), "--workspace", str(tmp_path), "--dry-run"]) == 2
    told = capsys.readouterr().err
    assert told.index('"Farbe" as ink_id') < told.index("strikeoff: inks.csv")


def test_a_column_of_the_underbase_that_is_missing_is_told_once(tmp_path):
    prints = TINY["prints.csv"].replace("underbase_ink_id", "UnderbaseInk")
    write_shop(tmp_path, prints=prints)
    with pytest.raises(InputProblems) as error:
        read_folder(tmp_path, name="s")
    assert str(error.value) == (
        "prints.csv, row 1, column underbase_ink_id: the column is missing beside "
        'underbase_mesh_id and underbase_strokes; rename "UnderbaseInk" to underbase_ink_id.'
    )
    prints = TINY["prints.csv"].replace("underbase_mesh_id", "through")
    write_shop(tmp_path, prints=prints)
    with pytest.raises(InputProblems, match="add it, empty where it is not known"):
        read_folder(tmp_path, name="s")


def test_what_was_typed_lately_is_nobody_elses_to_change():
    """Equal tables are typed once, and each who asks has a frame of its own."""
    cells = pd.DataFrame({"mesh_id": ["77-55"], "threads_per_cm": ["77"]}, index=[2])
    frame, faults = typed(MESHES, cells, "meshes.csv", date(2026, 1, 1))
    frame.loc[2, "threads_per_cm"] = 1.0
    faults.clear()
    cells.loc[2, "threads_per_cm"] = "seventy"
    _, wrong = typed(MESHES, cells, "meshes.csv", date(2026, 1, 1))
    assert [fault.column for fault in wrong] == ["threads_per_cm"]
    cells.loc[2, "threads_per_cm"] = "77"
    again, _ = typed(MESHES, cells, "meshes.csv", date(2026, 1, 1))
    assert again.loc[2, "threads_per_cm"] == 77
