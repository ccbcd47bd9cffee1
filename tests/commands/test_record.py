"""`record` as a user meets it; a known shop stands for the model."""

from __future__ import annotations

import json
import os
import tracemalloc
import zipfile
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipelines.cli import main
from pipelines.ledger import store
from pipelines.registry.catalogue import Catalogue
from pipelines.tables.folder import to_shop
from pipelines.tables.writing import write_workbook
from tests.commands.counter import DATABASE, GOOD, HEADER, learnt_from, says, write
from tests.tiny_shop import TINY


def test_a_batch_is_recorded_once(shop, capsys):
    write("b.csv", GOOD, GOOD.replace("R1", "R2").replace("45.4", "146"))
    before = DATABASE.read_bytes()
    dry = says(capsys, "record", "b.csv", "--dry-run")
    assert "b.csv would be recorded: 1 print to learn from, 1 that cannot be right" in dry
    assert DATABASE.read_bytes() == before
    said = says(capsys, "record", "b.csv")
    assert "Recorded b.csv as batch 2: 1 print to learn from" in said
    assert 'R2, row 3: L: "146" is outside 0 to 100' in said
    assert "Not checked against a model: " in said
    assert learnt_from() == ["P1", "P3", "R1"]
    after = DATABASE.read_bytes()
    assert "b.csv was recorded before, as batch 2" in says(capsys, "record", "b.csv")
    write("c.csv", GOOD, "\n")  # the same print in another file
    assert "all of c.csv stands in the shop already" in says(capsys, "record", "c.csv")
    assert DATABASE.read_bytes() == after
    write("d.csv", GOOD.replace("45.4", "47"), GOOD.replace("R1", "R3"))
    said = says(capsys, "record", "d.csv")
    assert "R1 stands in the shop with other values; those stay" in said
    assert "1 print to learn from, 1 known before" in said
    write("e.csv", GOOD.replace("R1", "R4"), GOOD.replace("R1", ""))
    said = says(capsys, "record", "e.csv")  # nobody could decide on a print without a name
    assert "1 print to learn from, 1 left out." in said
    assert "(no id), row 3, left out: print_id: is empty; fill it in" in said
    assert "(no id)" not in says(capsys, "doubts")
    write("e.csv", GOOD.replace("R1", ""))
    assert "e.csv, row 2, column print_id: is empty" in says(capsys, "record", "e.csv", code=2)
    assert "f.csv holds no print" in says(capsys, "record", write("f.csv"))


def test_an_angle_from_the_mesh_is_told_and_kept_from_vertical(shop, capsys):
    header, row = HEADER.strip() + ",squeegee_angle_deg\n", GOOD.strip() + ",75\n"
    said = says(capsys, "record", write("b.csv", row, header=header))
    assert "b.csv: 1 squeegee angle above 45 taken as measured from the mesh: 75 as 15" in said
    prints = to_shop(store.read(DATABASE)).prints.set_index("print_id")
    assert prints["squeegee_angle_deg"]["R1"] == 15


def test_a_print_of_a_day_to_come_is_not_learnt_from_until_its_day_is_right(shop, capsys):
    later, other = (f"{date.today() + timedelta(days=n)}" for n in (3, 4))
    dated = HEADER.strip() + ",printed_on,ink_lot\n"
    row = GOOD.strip() + f",{later},B7\n"
    said = says(capsys, "record", write("b.csv", row, header=dated))
    assert "0 prints to learn from, 1 that cannot be right" in said
    assert f'R1, row 2: printed_on: "{later}" is not a date a print can have: it is' in said
    for decided in (["keep", "R1"], ["correct", "R1", "--date", other]):
        assert main(["doubts", *decided]) == 2
        assert "that day is still to come" in capsys.readouterr().err
    assert "R1" not in learnt_from()
    says(capsys, "doubts", "correct", "R1", "--date", f"{date.today():%d.%m.%Y}")
    assert "R1" in learnt_from()


def test_a_print_of_a_day_to_come_does_not_tell_which_lot_is_open(shop):
    learnt = to_shop(store.read(DATABASE))
    days = pd.to_datetime([f"{date.today()}", f"{date.today() + timedelta(days=3)}"])
    two = learnt.prints.iloc[[0, 0]].assign(ink_lot=["B7", "B6"], printed_on=days)
    ink = two["ink_id"].iloc[0]
    assert Catalogue.of(replace(learnt, prints=two)).lots[ink] == "B7"
    assert Catalogue.of(replace(learnt, prints=two.assign(printed_on=days[0]))).lots[ink] == "B6"


def test_what_was_decided_holds_in_a_file_that_takes_the_place_of_another(shop, capsys):
    wrong, other = GOOD.replace("R1", "R2").replace("45.4", "4540"), GOOD.replace("R1", "R3")
    says(capsys, "record", write("b.csv", GOOD, wrong, other))
    says(capsys, "doubts", "correct", "R2", "--lab", "45.4,59.8,34.6")
    says(capsys, "doubts", "set-aside", "R3", "--reason", "smeared")
    again = write("c.csv", GOOD.replace("59.8", "59.7"), wrong, other)
    said = says(capsys, "record", again, "--replace", "2")
    assert "Recorded c.csv as batch 3: 2 prints to learn from." in said
    assert 'R2, row 3: L: "4540" is outside 0 to 100; it was put right before, and that' in said
    assert "R3 stays set aside, as it was before: smeared." in said
    assert learnt_from() == ["P1", "P3", "R1", "R2"]


def test_a_print_on_a_card_is_set_aside(shop, capsys):
    on_card = GOOD.replace("R1", "R2").replace("tee-black", "card-white")
    write("b.csv", GOOD, on_card)
    said = says(capsys, "record", "b.csv")
    assert "1 print to learn from, 1 that cannot be right" in said
    assert "R2, row 3: substrate_id: card-white White is a card, not a garment" in said
    assert learnt_from() == ["P1", "P3", "R1"]
    given = store.read(DATABASE)
    rest = {row: why for row, why in given.set_aside.items() if "is a card" not in why}
    kept = to_shop(replace(given, set_aside=rest))  # a store of before, that learnt from it
    assert "R2" in kept.prints["print_id"].tolist()


def test_repeated_readings_are_averaged_counted_and_kept(shop, capsys):
    spectra = [f"r{nm}" for nm in range(400, 701, 10)]
    header = HEADER.strip() + "," + ",".join(spectra) + "\n"
    rows = [f"R1,tee-black,007,77-55,1,0,,,,{','.join([level] * 31)}\n"
            for level in ("0.20", "0.24", "0.22")]  # fmt: skip
    lab = ["R2,tee-black,blue,77-55,1,0,20.0,4.0,-20.0" + "," * 31 + "\n",
           "R2,tee-black,blue,77-55,1,0,21.0,4.0,-21.0" + "," * 31 + "\n",
           "R2,tee-black,blue,77-55,1,0,n/a,4.0,-21.0" + "," * 31 + "\n"]  # fmt: skip
    said = says(capsys, "record", write("b.csv", *rows, *lab, header=header))
    assert "2 prints to learn from" in said
    assert "R2: 1 of 3 readings cannot be right; left out of the mean" in said
    prints = store.read(DATABASE).tables["prints"].set_index("print_id")
    assert prints.loc["R1", ["r400", "r700", "readings", "L"]].tolist() == ["0.22", "0.22", "3", ""]
    assert prints.loc["R2", ["L", "a", "b", "readings"]].tolist() == ["20.5", "4", "-20.5", "2"]
    batch = store.read_ledger(DATABASE).batches[1]
    assert [reading[:3] for reading in batch.readings][:2] == [
        ("R1", 1, "row 2"),
        ("R1", 2, "row 3"),
    ]
    assert json.loads(batch.readings[3][3]) == {"L": "20.0", "a": "4.0", "b": "-20.0"}
    spread = json.loads(batch.sheets["prints"].spreads[5])
    # two values a unit apart: a standard deviation of 1 / sqrt(2)
    assert (spread["readings"], spread["L_sd"], spread["a_sd"]) == (2, 0.7071, 0.0)


def test_batches_may_be_measured_at_several_steps(shop, capsys):
    for step, level in ((10, "0.3"), (20, "0.4")):
        names = [f"r{nm}" for nm in range(400, 701, step)]
        row = f"S{step},tee-black,007,77-55,1,0,,,,{','.join([level] * len(names))}\n"
        header = HEADER.strip() + "," + ",".join(names) + "\n"
        says(capsys, "record", write(f"{step}.csv", row, header=header))
    prints = to_shop(store.read(DATABASE)).prints.set_index("print_id")
    np.testing.assert_allclose(prints.loc["S10", ["r410", "r550"]].astype(float), 0.3)
    np.testing.assert_allclose(prints.loc["S20", ["r410", "r550"]].astype(float), 0.4)
    hole = "S5,tee-black,007,77-55,1,0,,,," + ",".join(["0.3"] * 9 + [""] + ["0.3"] * 21) + "\n"
    header = HEADER.strip() + "," + ",".join(f"r{nm}" for nm in range(400, 701, 10)) + "\n"
    said = says(capsys, "record", write("hole.csv", hole, header=header))
    assert "S5, row 2: r490: is empty in a spectrum that is otherwise filled" in said


def test_readings_of_one_print_that_contradict_each_other_are_set_aside(shop, capsys):
    other = GOOD.replace("77-55", "43-80")
    said = says(capsys, "record", write("b.csv", GOOD, other))
    assert 'R1, row 2: mesh_id: "77-55", but "43-80" in row 3 of the same print' in said
    assert learnt_from() == ["P1", "P3"]


def test_new_inks_come_along_in_a_folder(shop, capsys):
    new = GOOD.replace("007", "new")
    said = says(capsys, "record", write("b.csv", new), code=2)
    assert 'b.csv, row 2, column ink_id: "new" is not in inks.csv' in said
    assert "record a folder that holds" in said
    Path("f").mkdir()
    write("f/prints.csv", new)
    header = TINY["inks.csv"].splitlines(keepends=True)[0]
    write("f/inks.csv", "new,New,plastisol,colour,100\n", "007,Other,plastisol,colour,9\n",
          header=header)  # fmt: skip
    said = says(capsys, "record", "f", code=2)
    assert 'inks.csv, row 3, column ink_id: "007" stands in the shop already' in said
    write("f/inks.csv", "new,New,plastisol,colour,100\n", header=header)
    assert "1 print to learn from, 1 new ink" in says(capsys, "record", "f")
    # What one batch needs of another cannot be taken from under it.
    write("g.csv", new.replace("R1", "R9"))
    says(capsys, "record", "g.csv")
    said = says(capsys, "history", "--take-back", "2", code=2)
    assert 'then prints.csv has ink_id: "new" is not in inks.csv; take back what needs it' in said


def sparse(path: Path) -> None:
    path.touch()
    os.truncate(path, 1_000_000_000)


def wide(path: Path) -> None:
    path.write_text(HEADER.strip() + ",x" * 200_000 + "\n")


def folder_with(make):
    def folder(path: Path) -> None:
        path.mkdir()
        make(path / "prints.csv")

    return folder


def bomb(path: Path) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", bytes(70_000_000))


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (sparse, "is larger than 20 MB"),
        (wide, "line 1: is longer than 100000 signs"),
        (bomb, "unpacks to more than 60 MB"),
        (lambda path: path.write_text('a,b\n"\x1b[2J'), "the quotation marks do not match up"),
        (lambda path: path.write_text(HEADER + "x" * 150_000), "line 2: is longer than 100000"),
        (os.mkfifo, "is no file"),
        (lambda path: path.symlink_to("/dev/zero"), "is no file"),
        (folder_with(sparse), "prints.csv: is larger than 50 MB"),
        (folder_with(wide), "prints.csv: line 1 is longer than 100000 signs"),
        (folder_with(os.mkfifo), "prints.csv: is no file"),
    ],
)
def test_what_no_shop_hands_over_is_refused_at_once(shop, capsys, make, told):
    make(Path("f.csv"))
    tracemalloc.start()
    said = says(capsys, "record", "f.csv", code=2)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert told in said
    assert "\x1b" not in said
    assert peak < 150e6


def test_an_instrument_s_export_by_sample_name(shop, capsys):
    write("jobs.csv", "J1,tee-black,007,77-55,1,0,40\n", "J2,tee-black,blue,77-55,1,0,\n",
          header="setup_id,substrate_id,ink_id,mesh_id,strokes,flash_count,target_L\n")  # fmt: skip
    write("x.csv", "j1,46,58,31\n", "j1,46.2,58,31\n", header="SAMPLE_NAME,L,a,b\n")
    assert "add --prints SETUPS.csv" in says(capsys, "record", "x.csv", code=2)
    said = says(capsys, "record", "x.csv", "--prints", "jobs.csv", "--condition", "M1")
    assert "1 print to learn from" in said
    assert "no reading of J2" in said
    row = store.read(DATABASE).tables["prints"].iloc[-1]
    assert row[["print_id", "ink_id", "L", "readings"]].tolist() == ["J1", "007", "46.1", "2"]
    assert store.read_ledger(DATABASE).batches[1].condition == "M1"
    write("y.csv", "J2,20,4,-20\n", "J3,20,4,-20\n", header="SAMPLE_NAME,L,a,b\n")
    said = says(capsys, "record", "y.csv", "--prints", "jobs.csv", "--condition", "M1", code=2)
    assert "y.csv: one sample is no print of jobs.csv: J3" in said
    write("z.csv", "day 1-1,20,4,-20\n", "Day_1 2,20,4,-20\n", "dya-1-3,20,4,-20\n", "?,1,1,1\n",
          header="SAMPLE_NAME,L,a,b\n")  # fmt: skip
    write("day.csv", *(f"day-1-{i},tee-black,blue,77-55,1,0\n" for i in (1, 2, 3)),
          header="setup_id,substrate_id,ink_id,mesh_id,strokes,flash_count\n")  # fmt: skip
    said = says(capsys, "record", "z.csv", "--prints", "day.csv", "--condition", "M1", code=2)
    assert '2 samples are no print of day.csv: dya-1-3 (is "day-1-3" meant?), ?; correct' in said
    write("y.csv", "J2,20,4,-20\n", header="SAMPLE_NAME,L,a,b\n")
    said = says(capsys, "record", "y.csv", "--prints", "jobs.csv", "--condition", "M1")
    assert "1 print to learn from" in said
    assert "no reading of" not in said, "J1 stands in the shop"


@pytest.mark.usefixtures("model")
def test_another_condition_is_refused_unless_it_is_meant(shop, capsys):
    says(capsys, "record", write("b.csv", GOOD), "--condition", "M0")
    write("jobs.csv", "J1,tee-black,007,77-55,1,0\n", header=HEADER[:-7] + "\n")
    Path("x.txt").write_text(
        'CGATS.17\nMEASUREMENT_CONDITION "M1"\nNUMBER_OF_FIELDS 4\nBEGIN_DATA_FORMAT\n'
        "SAMPLE_NAME LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nNUMBER_OF_SETS 1\nBEGIN_DATA\n"
        "J1 45.4 59.8 34.6\nEND_DATA\n"
    )
    said = says(capsys, "record", "x.txt", "--prints", "jobs.csv", code=2)
    assert "measured under M1, batch 2 (b.csv) under M0" in said
    said = says(capsys, "record", "x.txt", "--prints", "jobs.csv", "--condition", "M1")
    assert "1 print to learn from" in said


@pytest.mark.usefixtures("model")
def test_another_backing_and_gloss_are_refused_unless_they_are_meant(shop, capsys):
    setups = [f"J{i},tee-black,007,77-55,1,0\n" for i in (1, 2, 3)]
    write("jobs.csv", *setups, header=HEADER[:-7] + "\n")
    header = "SAMPLE_NAME,L,a,b,backing,geometry\n"
    for i, (backing, geometry) in enumerate((("white", "45/0"), ("black", "45/0"), ("", "di:8"))):
        write(f"{i}.csv", f"J{i + 1},45.4,59.8,34.6,{backing},{geometry}\n", header=header)
    says(capsys, "record", "0.csv", "--prints", "jobs.csv")
    for file, told in (
        ("1.csv", "measured over black backing, batch 2 (0.csv) over white"),
        ("2.csv", "measured with its gloss"),
    ):
        said = says(capsys, "record", file, "--prints", "jobs.csv", code=2)
        assert told in said
        assert "--as-declared if that is meant" in said
        said = says(capsys, "record", file, "--prints", "jobs.csv", "--as-declared")
        assert "1 print to learn from" in said


def test_a_corrected_file_takes_the_place_of_the_wrong_batch(shop, capsys):
    rest = [GOOD.replace("R1", name) for name in ("R2", "R3")]
    says(capsys, "record", write("b.csv", GOOD, *rest))
    before = DATABASE.read_bytes()
    fixed = write("c.csv", GOOD.replace("45.4", "47.1"), rest[0], GOOD.replace("R1", "R4"))
    dry = says(capsys, "record", fixed, "--replace", "2", "--dry-run")
    told = "Batch 2 would give way: 1 print changed, 1 added, 1 gone, 1 as before."
    assert told in dry and "  R1: L 45.4 -> 47.1\n" in dry
    assert DATABASE.read_bytes() == before
    said = says(capsys, "record", fixed, "--replace", "2")
    for words in ("Batch 2 gives way: 1 print changed", "added: R4", "gone: R3", "as batch 3"):
        assert words in said
    assert sorted(learnt_from()) == ["P1", "P3", "R1", "R2", "R4"]
    prints = to_shop(store.read(DATABASE)).prints.set_index("print_id")
    assert prints.loc["R1", "L"] == 47.1
    ledger = store.read_ledger(DATABASE)
    assert ledger.states() == {1: True, 2: False, 3: True}
    assert [d.reason for d in ledger.decisions if d.what == "taken back"] == ["replaced by c.csv"]


@pytest.mark.parametrize(
    ("number", "said"),
    [
        ("1", "Batch 1 is an import; strikeoff import brings in"),
        ("7", "There is no batch 7; strikeoff history lists them"),
        ("3", "Batch 3 is taken back already; record the file without --replace"),
        ("2", "cannot be replaced by c.csv: then prints.csv has ink_id"),
    ],
)
def test_what_cannot_be_replaced(shop, capsys, number, said):
    folder = Path("more")
    folder.mkdir()
    ink = TINY["inks.csv"].splitlines()[0] + "\ngreen,Green,plastisol,colour,98\n"
    (folder / "inks.csv").write_text(ink)
    (folder / "prints.csv").write_text(HEADER + GOOD.replace("007", "green"))
    says(capsys, "record", "more")
    says(capsys, "record", write("b.csv", GOOD.replace("R1", "R9")))
    says(capsys, "history", "--take-back", "3")
    says(capsys, "record", write("d.csv", GOOD.replace("R1", "R5").replace("007", "green")))
    fixed = write("c.csv", GOOD)
    before = DATABASE.read_bytes()
    assert said in says(capsys, "record", fixed, "--replace", number, code=2)
    assert DATABASE.read_bytes() == before


def test_the_file_of_the_batch_itself_changes_nothing(shop, capsys):
    says(capsys, "record", write("b.csv", GOOD))
    said = says(capsys, "record", "b.csv", "--replace", "2")
    assert "Nothing was changed: b.csv is what batch 2 holds." in said
    assert learnt_from() == ["P1", "P3", "R1"]


NM = range(400, 701, 10)
BANDS = ",".join(f"r{nm}" for nm in NM)


def level(value: float) -> str:
    return ",".join([f"{value:.4f}"] * len(NM))


def test_what_is_described_in_a_batch_is_checked_like_prints(shop, capsys):
    """Grey of 20 % is L 51.8 (CIE 1976: 116 * 0.2 ** (1/3) - 16)."""
    Path("f").mkdir()
    header = f"ink_id,substrate_id,film_um,{BANDS},L,a,b\n"
    write("f/drawdowns.csv", f"007,card-white,80,{level(0.2)},60,0,0\n", header=header)
    said = says(capsys, "record", "f", code=2)
    assert "drawdowns.csv, row 2, column L: Lab and spectrum are " in said
    write("f/drawdowns.csv", f"007,card-white,80,{level(0.2)},51.8,0,0\n", header=header)
    assert "1 new drawdown" in says(capsys, "record", "f")
    header = f"substrate_id,kind,fibre,colour_name,{BANDS},L,a,b\n"
    (Path("f") / "drawdowns.csv").unlink()
    write("f/substrates.csv", f"tee-grey,garment,cotton,Grey,{level(0.2)},60,0,0\n", header=header)
    said = says(capsys, "record", "f", code=2)
    assert "substrates.csv, row 2, column L: Lab and spectrum are " in said


def test_the_shop_s_own_measurements_tell_percent_from_fractions(shop, capsys):
    """A dark ink's readings alone, 0.75 all over: pale in fractions, dark in percent."""
    row = "tee-black,{},77-55,1,0\n"
    setups = [f"J{i}," + row.format(ink) for i, ink in enumerate(("blue", "007", "white"))]
    write("jobs.csv", *setups, header="print_id,substrate_id,ink_id,mesh_id,strokes,flash_count\n")
    head = "SAMPLE_NAME," + ",".join(f"{nm} nm" for nm in NM) + "\n"
    write("unknown.csv", f"J2,{level(0.75)}\n", header=head)
    said = says(capsys, "record", "unknown.csv", "--prints", "jobs.csv", code=2)
    assert "may be pale colours in fractions or dark ones in percent" in said
    assert "record with --reflectance fraction or percent" in said
    says(capsys, "record", write("b.csv", "R1,tee-black,blue,77-55,1,0,20,4,-20\n"))
    write("blue.csv", f"J0,{level(0.75)}\n", header=head)
    said = says(capsys, "record", "blue.csv", "--prints", "jobs.csv")
    assert "Reflectance is in percent" in said
    prints = store.read(DATABASE).tables["prints"].set_index("print_id")
    assert prints.loc["J0", "r550"] == "0.0075"
    whole = ("record", "unknown.csv", "--prints", "jobs.csv", "--reflectance")
    assert "Reflectance is in fractions" in says(capsys, *whole, "fraction", "--dry-run")
    assert "Reflectance is in percent" in says(capsys, *whole, "percent")


def test_a_reason_of_several_lines_is_shown_on_one(shop, capsys):
    reason = "smeared\nModel 0009 is in charge."
    says(capsys, "doubts", "set-aside", "P1", "--reason", reason)
    said = says(capsys, "history", "1") + says(capsys, "doubts")
    assert "smeared" in said
    assert "Model 0009 is in charge." not in said.splitlines()


def test_a_folder_that_holds_one_workbook_is_read_from_it(shop, capsys):
    folder = Path("monday")
    folder.mkdir()
    row = dict(zip(HEADER.strip().split(","), GOOD.strip().split(","), strict=True))
    for name in ("one.xlsx", "other.xlsx"):
        write_workbook(folder / name, {"Prints": pd.DataFrame([row])})
    said = says(capsys, "record", "monday", code=2)
    assert "monday: the folder holds several workbooks (one.xlsx, other.xlsx); name one" in said
    (folder / "other.xlsx").unlink()
    (folder / "~$one.xlsx").write_bytes(b"open elsewhere")
    said = says(capsys, "record", "monday")
    assert "monday: read from the workbook one.xlsx." in said and "1 print" in said
    assert "R1" in learnt_from()
