"""Reading a shop's tables: what is accepted, what is set aside, what is refused and how."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from learn.physics.deposit import complete_meshes
from pipelines.tables.checks import check_mesh_units
from pipelines.tables.folder import Checked, identifiers, read_folder, read_setups
from pipelines.tables.schema import SHOP_TABLES
from pipelines.tables.spectra import SPECTRUM, gap_in, resample
from pipelines.workspace.problems import InputProblems, Kind
from tests.tiny_shop import (
    SETUPS,
    TINY,
    semicolon_with_decimal_commas,
    spectrum,
    with_cell,
    without_column,
    write_shop,
)

TODAY = date(2026, 1, 1)


def read(folder: Path, *, strict: bool = False, **changes: str | None) -> Checked:
    return read_folder(write_shop(folder, **changes), name="tiny", strict=strict, today=TODAY)


def refused(folder: Path, **changes: str | None) -> str:
    with pytest.raises(InputProblems) as error:
        read(folder, **changes)
    return str(error.value)


def assert_same_shop(one: Checked, other: Checked) -> None:
    assert one.shop.settings == other.shop.settings
    for name in ("inks", "substrates", "meshes", "drawdowns", "prints"):
        pd.testing.assert_frame_equal(getattr(one.shop, name), getattr(other.shop, name))


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
        ("ink_id", "", "ink_id: is empty"),
        ("substrate_id", "tee-pink", 'substrate_id: "tee-pink" is not in substrates.csv'),
        ("mesh_id", "120-34", 'mesh_id: "120-34" is not in meshes.csv'),
        ("underbase_ink_id", "grey", 'underbase_ink_id: "grey" is not in inks.csv'),
        ("underbase_mesh_id", "", "underbase_mesh_id: is empty although an underbase ink is named"),
        ("strokes", "0", 'strokes: "0" is outside 1 to 20'),
        ("strokes", "1.5", 'strokes: "1.5" is not a whole number'),
        ("strokes", "", "strokes: is empty"),
        ("flash_count", "2", "flash_count: 2 flashes do not fit between 2 strokes"),
        ("printed_on", "2025-02-30", 'printed_on: "2025-02-30" is not a date'),
        ("printed_on", "01.03.2025", 'printed_on: "01.03.2025" is not a date'),
        ("printed_on", "2052-03-01", 'printed_on: "2052-03-01" is not a date a print can have'),
        ("readings", "0", 'readings: "0" is outside 1 to 1000'),
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


def test_a_print_without_any_colour_is_set_aside(tmp_path):
    prints = TINY["prints.csv"].replace("46.00,58.2,31.0", ",,")
    assert read(tmp_path, prints=prints).given.set_aside == {2: "has no colour"}


def test_a_near_name_is_offered(tmp_path):
    prints = with_cell("prints.csv", 2, "ink_id", "bleu")
    [fault] = read(tmp_path, prints=prints).set_aside
    assert str(fault) == (
        'prints.csv, row 2, column ink_id: "bleu" is not in inks.csv; add it to inks.csv or '
        'correct it (is "blue" meant?).'
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
        ("underbase_mesh_id", "", Kind.CONTRADICTION),
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
            {"prints": TINY["prints.csv"].replace("mesh_id,strokes", "Mesh ID,strokes")},
            ['column mesh_id: the column is missing; rename "Mesh ID" to mesh_id.'],
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
            ['inks.csv, row 5, column ink_id: "blue" stands in row 4 already; keep one row a key.'],
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
        ({"shop": 'illuminant = "moon"'}, ["shop.toml, column illuminant: 'moon' is none of"]),
        ({"shop": "tolerance_dE00 = two"}, ["shop.toml: cannot be read (Invalid value"]),
        ({"shop": 'confidence = "90"'}, ["shop.toml, column confidence: '90' is not a number"]),
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


@pytest.mark.parametrize(
    ("mesh", "said"),
    [
        # Counts of common screens per inch (common practice, no source) in the column per cm.
        ("110-80,110,80,", "110 with a thread of 80 um looks like threads per inch; divide it"),
        ("230-48,230,48,", "230 with a thread of 48 um looks like threads per inch"),
        ("305-,305,,", "305 looks like threads per inch; divide it by 2.54 (120 per cm)"),
        ("61-120,61,120,296", "61 with a thread of 120 um looks like threads per inch"),
        ("110-,110,,149", "110 looks like threads per inch; divide it by 2.54 (43 per cm)"),
        ("43-81,43,80,2000", "an opening of 2000 um is wider than 43 threads per cm allow"),
        ("43-8,43,0.08,", '"0.08" is outside 10 to 1000; give the thread diameter in micrometres'),
        ("43-,,80,", "column threads_per_cm: is empty; give the count per centimetre"),
        ("90-300,90,300,", "a thread of 300 um leaves no opening at 90 threads per cm"),
    ],
)
def test_mesh_units_are_recognised(tmp_path, mesh, said):
    message = refused(tmp_path, meshes=TINY["meshes.csv"] + mesh + "\n")
    assert message.startswith("meshes.csv, row 5, column ")
    assert said in message


@pytest.mark.parametrize(
    "mesh",
    [  # nt-jp.com screen specification: published meshes per cm must pass
        "a,90,40,73",
        "b,90,48,65",
        "c,90,54,59",
    ],
)
def test_published_meshes_pass(tmp_path, mesh):
    assert len(read(tmp_path, meshes=TINY["meshes.csv"] + mesh + "\n").shop.meshes) == 4


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


def test_dates_written_another_way_throughout_are_told_once(tmp_path):
    prints = TINY["prints.csv"].replace("2025-03-01", "01/03/2025")
    prints = prints.replace("2025-03-09", "09/03/2025").replace("P2,,", "P2,05/03/2025,")
    message = refused(tmp_path, prints=prints)
    assert 'prints.csv, column printed_on: no date of the column can be read (row 2: "01' in message
    assert len(message.splitlines()) == 1


def test_a_shop_without_prints_goes_in_with_a_warning(tmp_path):
    header = TINY["prints.csv"].splitlines()[0] + "\n"
    checked = read(tmp_path, prints=header)
    assert checked.shop.prints.empty
    assert checked.shop.prints["L"].dtype == float
    assert "physics alone" in checked.warnings[0]


def test_press_columns_may_be_absent_altogether(tmp_path):
    absent = ("printed_on", "job_id", "press_id", "ink_lot", "squeegee_shore_a", "readings")
    checked = read(tmp_path, prints=without_column("prints.csv", *absent))
    assert len(checked.shop.prints) == 3
    assert checked.shop.prints[list(absent)].isna().all(axis=None)


def test_unknown_flashes_and_base_strokes_are_kept_and_told(tmp_path):
    prints = TINY["prints.csv"].replace("43-80,2,007,,77-55,2,1", "43-80,,007,,77-55,2,")
    checked = read(tmp_path, prints=prints)
    assert checked.shop.prints["flash_count"].isna().tolist() == [True, False, False]
    assert checked.warnings == [
        "prints.csv: 1 row with several strokes has no flash_count; taken as not flashed.",
        "prints.csv: 1 row has no underbase_strokes; taken as one stroke.",
    ]


def test_an_unknown_column_is_kept_out_and_named(tmp_path):
    prints = (
        TINY["prints.csv"]
        .replace("readings\n", "readings,operator\n")
        .replace("31.0,3", "31.0,3,Jo")
    )
    checked = read(tmp_path, prints=prints)
    assert checked.warnings == ["prints.csv: column operator is not known and was kept out."]
    assert "operator" not in checked.given.tables["prints"]


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


# --- spectra -------------------------------------------------------------------------------


def test_spectra_are_resampled_to_400_700():
    smooth = np.exp(-(((np.arange(300, 800) - 560) / 60) ** 2))[None]  # by wavelength from 300

    def at(grid):
        return smooth[:, np.array(grid) - 300]

    want = at(range(400, 701, 10))
    for grid in (range(380, 731, 10), range(400, 701, 5), range(380, 781, 5)):
        assert gap_in(list(grid)) is None
        np.testing.assert_array_equal(resample(list(grid), at(grid)), want)
    for grid in (range(400, 701, 20), range(380, 721, 20), range(390, 731, 20)):
        got = resample(list(grid), at(grid))
        assert gap_in(list(grid)) is None
        np.testing.assert_allclose(got, want, atol=2e-3)
    assert gap_in([400, 410, 430]) == "the spectrum columns have a gap at 420 nm"
    assert gap_in(list(range(420, 701, 10))) == "the spectrum covers 420 to 700 nm only"


def test_a_20_nm_file_with_a_wider_range_is_read(tmp_path):
    grid = range(380, 731, 10)
    head = "substrate_id,kind," + ",".join(f"r{nm}" for nm in grid)
    rows = "tee-black,garment," + ",".join("0.04" for _ in grid)
    rows += "\ncard-white,card," + ",".join(f"{nm / 1000:.3f}" for nm in grid)
    shop = read(tmp_path, substrates=f"{head}\n{rows}\n").shop
    assert shop.substrates.loc[1, SPECTRUM].tolist() == [nm / 1000 for nm in range(400, 701, 10)]


def test_one_percent_row_of_prints_is_set_aside_and_all_are_refused(tmp_path):
    def prints(*scales):
        head = "print_id,substrate_id,ink_id,mesh_id,strokes,flash_count,"
        head += ",".join(f"r{nm}" for nm in range(400, 701, 10))
        rows = (
            f"P{i},tee-black,007,43-80,1,0," + ",".join(str(0.5 * s) for _ in range(31))
            for i, s in enumerate(scales)
        )
        return "\n".join([head, *rows]) + "\n"

    some = read(tmp_path, prints=prints(1, 1, 100))
    assert some.given.set_aside == {4: 'r400: "50.0" is too high and looks like percent'}
    assert "the spectra go up to 50" in refused(tmp_path, prints=prints(100, 100, 1))


# --- set-ups -------------------------------------------------------------------------------


def test_setups_keep_their_order(tmp_path):
    known = identifiers(read(tmp_path).shop)
    (tmp_path / "s.csv").write_text(SETUPS)
    setups, warnings = read_setups(tmp_path / "s.csv", known)
    assert setups["setup_id"].tolist() == ["S2", "S1"]
    assert setups["target_L"].isna().tolist() == [False, True]
    assert warnings == []


def test_every_problem_of_a_setups_file_is_told(tmp_path):
    known = identifiers(read(tmp_path).shop)
    text = SETUPS.replace("blue", "blau").replace("S1", "S2").replace("58,31,2", ",31,2")
    (tmp_path / "s.csv").write_text(text.replace("77-55,2,1", "77-55,2,5"))
    with pytest.raises(InputProblems) as error:
        read_setups(tmp_path / "s.csv", known)
    said = str(error.value)
    assert "s.csv, row 2, column flash_count: 5 flashes do not fit between 2 strokes" in said
    assert "s.csv, row 2: one of target_L, target_a, target_b is missing" in said
    assert 's.csv, row 3, column setup_id: "S2" stands in row 2 already' in said
    assert 's.csv, row 3, column ink_id: "blau" is not in inks.csv' in said
    assert said.endswith("4 problems. Nothing was changed.")


# --- anything at all -----------------------------------------------------------------------

CELLS = st.one_of(
    st.text(max_size=8),
    st.sampled_from(["", "NaN", "inf", "-1", "1e400", "0", "50", "bucket", "P1", "2025-13-01"]),
    st.floats(allow_nan=False).map(str),
)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
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
        assert str(error).startswith(file) or "; " in str(error)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_any_bytes_are_read_or_told(tmp_path_factory, data):
    folder = write_shop(tmp_path_factory.mktemp("any"))
    for file in ("prints.csv", "shop.toml"):
        (folder / file).write_bytes(data)
    try:
        read_folder(folder, name="tiny", today=TODAY)
    except InputProblems as error:
        assert error.problems


def test_a_column_of_the_underbase_that_is_missing_is_told_once(tmp_path):
    prints = TINY["prints.csv"].replace("underbase_ink_id", "underbase ink")
    write_shop(tmp_path, prints=prints)
    with pytest.raises(InputProblems) as error:
        read_folder(tmp_path, name="s")
    assert str(error.value) == (
        "prints.csv, row 1, column underbase_ink_id: the column is missing beside "
        'underbase_mesh_id and underbase_strokes; rename "underbase ink" to underbase_ink_id.'
    )


def test_meshes_that_pass_the_checks_can_be_completed():
    """Whatever `check_mesh_units` lets through has a geometry: learning must not refuse it."""
    rng = np.random.default_rng(0)
    columns = {column.name: column for column in SHOP_TABLES["meshes"].columns[1:]}
    meshes = pd.DataFrame(
        {
            name: np.exp(rng.uniform(np.log(column.low), np.log(column.high), 20_000))
            for name, column in columns.items()
        }
    )
    for name in [name for name, column in columns.items() if not column.filled]:
        meshes.loc[rng.random(len(meshes)) < 0.5, name] = np.nan
    faulty = {problem.row for problem in check_mesh_units(meshes, "meshes.csv")}
    sound = meshes.drop(index=list(faulty))
    assert 2_000 < len(sound) < len(meshes)
    assert np.isfinite(complete_meshes(sound)).all(axis=None)
