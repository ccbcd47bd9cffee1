"""Record, doubts, history and models as a user meets them; a known shop stands for the model."""

from __future__ import annotations

import json
import os
import sys
import tracemalloc
import zipfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from pipelines.cli import main
from pipelines.ledger import store
from pipelines.registry import versions
from tests.monitoring.test_inspection import KnownShop
from tests.tiny_shop import TINY, with_cell, write_shop

HEADER = "print_id,substrate_id,ink_id,mesh_id,strokes,flash_count,L,a,b\n"
GOOD = "R1,tee-black,007,77-55,1,0,45.4,59.8,34.6\n"


@pytest.fixture
def shop(tmp_path, monkeypatch, capsys) -> Path:
    """A workspace with the tiny shop (one print of it set aside), which is the current folder."""
    write_shop(tmp_path / "tables", prints=with_cell("prints.csv", 3, "L", "n/a"))
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    assert main(["import", "../tables", "--shop", "tiny"]) == 0
    capsys.readouterr()
    return tmp_path / "work"


@pytest.fixture
def model(shop, monkeypatch):
    """A model in charge that expects of 007 and blue what `KnownShop` does of red and blue."""

    class Model(KnownShop):
        @classmethod
        def from_state(cls, arrays, meta):
            return cls()

        def __init__(self):
            super().__init__()
            names = {"007": "red", "blue": "blue"}
            plain = super().predict_lab

            def unknown(setups):
                return pd.DataFrame({"row": np.flatnonzero(~setups["ink_id"].isin(list(names)))})

            self.encoder_ = SimpleNamespace(inks=pd.DataFrame(index=list(names)), unknown=unknown)
            self.predict_lab = lambda s: plain(s.assign(ink_id=s["ink_id"].map(names)))

    monkeypatch.setitem(sys.modules, "learn.predict.model", SimpleNamespace(ShiftModel=Model))
    facts = {"set_aside": [{"print_id": "P3", "reason": "far off"}], "rows": {"prints": 2}}
    facts["validation"] = {"median_dE00": 0.5, "coverage90": 0.9, "n_prints": 2}
    versions.save(Path("models/tiny"), {"x": np.zeros(1)}, {}, facts)


DATABASE = Path("datasets/tiny/shop.db")


def write(name: str, *rows: str, header: str = HEADER) -> str:
    Path(name).write_text(header + "".join(rows), encoding="utf-8")
    return name


def says(capsys, *command: str, code: int = 0) -> str:
    assert main(list(command)) == code
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    if code:
        assert len(said.err.strip().splitlines()) == 1, said.err
    return said.err if code else said.out + said.err


def learnt_from() -> list[str]:
    return store.load_shop(DATABASE).prints["print_id"].tolist()


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
    prints = store.load_shop(DATABASE).prints.set_index("print_id")
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


@pytest.mark.usefixtures("model")
def test_doubtful_prints_are_set_aside_in_words_and_decided_on(shop, capsys):
    rows = [GOOD, GOOD.replace("R1", "R2").replace("59.8,34.6", "34.6,59.8"),
            GOOD.replace("R1", "R3").replace("45.4,59.8,34.6", "30.5,10.2,-50.1"),
            GOOD.replace("R1", "R4").replace("45.4", "56.1")]  # fmt: skip
    said = says(capsys, "record", write("b.csv", *rows))
    assert "1 print to learn from, 3 doubtful and set aside" in said
    assert "dE00 from expected; looks like a and b exchanged: was it typed so?" in said
    assert "looks like ink blue instead of 007: was it swapped?" in said
    assert "dE00 from expected (L, a, b 45, 60, 35)" in said
    said = says(capsys, "doubts")
    assert "4 prints set aside on arrival" in said
    assert "P3  batch 1: far off (model 0001)" in said

    says(capsys, "doubts", "correct", "R3", "--ink", "blue")
    said = says(capsys, "doubts", "correct", "R2", "--lab", "45.4,59.8,34.6")
    assert "R2: a 34.6 -> 59.8" in said
    assert "R2 is learnt from." in said
    still = says(capsys, "doubts", "correct", "R4", "--lab", "56,58,31", "--reason", "rounded")
    assert "It stays set aside: corrected, but still" in still
    assert "R4 lies 14 standard deviations" in says(capsys, "doubts", "keep", "R4")
    says(capsys, "doubts", "set-aside", "R4", "--reason", "smeared")
    says(capsys, "doubts", "keep", "P3")
    assert learnt_from() == ["P1", "P3", "R1", "R2", "R3"]
    assert store.read(DATABASE).trusted == {"P3"}
    said = says(capsys, "doubts", "--all")
    assert "R4  batch 2: smeared (" in said
    assert "P3" not in said
    assert "P2  batch 1" in said
    said = says(capsys, "history", "2")
    assert "R3 corrected: ink_id 007 -> blue" in said
    assert "R4 set aside: smeared" in said
    assert "stands already" in says(capsys, "doubts", "keep", "P3")


def test_nothing_comes_in_past_a_model_that_cannot_be_read(shop, model, monkeypatch, capsys):
    class OfOlderForm:
        @classmethod
        def from_state(cls, arrays, meta):
            raise ValueError

    monkeypatch.setitem(sys.modules, "learn.predict.model", SimpleNamespace(ShiftModel=OfOlderForm))
    before = DATABASE.read_bytes()
    for command in (["record", write("b.csv", GOOD)], ["doubts", "correct", "P1", "--lot", "L9"]):
        said = says(capsys, *command, code=2)
        assert "cannot be read by this version; run strikeoff learn first, then this again" in said
    assert DATABASE.read_bytes() == before


def test_mistakes_at_deciding_are_one_sentence(shop, capsys):
    for command, told in (
        (["keep"], "Name the print"),
        (["keep", "P9"], 'There is no print "P9"'),
        (["keep", "P2"], 'P2 cannot be learnt from like this: L: "n/a" is not a number'),
        (["set-aside", "P1"], "Say why it is set aside"),
        (["correct", "P1"], "Say what is corrected"),
        (["correct", "P1", "P3", "--ink", "blue"], "one print at a time"),
        (["correct", "P1", "--ink", "green"], '"green" is not in inks.csv'),
        (["correct", "P1", "--lab", "1,2"], "give L, a and b"),
        (["keep", "P1", "--ink", "blue"], "strikeoff doubts correct"),
    ):
        before = DATABASE.read_bytes()
        assert told in says(capsys, "doubts", *command, code=2)
        assert DATABASE.read_bytes() == before


def test_history_and_taking_back(shop, capsys):
    says(capsys, "record", write("b.csv", GOOD))
    assert "brings it in again" in says(capsys, "history", "--take-back", "2", "--reason", "wrong")
    assert learnt_from() == ["P1", "P3"]
    assert "taken back" in says(capsys, "history")
    said = says(capsys, "record", "b.csv")
    assert "taken back; strikeoff history --put-back 2" in said
    assert "is taken back already" in says(capsys, "history", "--take-back", "2")
    says(capsys, "history", "--put-back", "2")
    assert learnt_from() == ["P1", "P3", "R1"]
    assert "only import" in says(capsys, "history", "--take-back", "1", code=2)
    assert "no batch 7" in says(capsys, "history", "--take-back", "7", code=2)
    assert "invalid int value" in says(capsys, "history", "--take-back", "x", code=2)


def test_an_export_holds_what_was_recorded_and_comes_back(shop, capsys):
    says(capsys, "record", write("b.csv", GOOD))
    says(capsys, "doubts", "correct", "P1", "--lot", "L9")
    assert main(["export", "out"]) == 0
    text = Path("out/prints.csv").read_text()
    assert "R1,,,,tee-black" in text
    assert ",L9," in text.splitlines()[1]
    before = store.read(DATABASE)
    says(capsys, "import", "out", "--shop", "tiny")
    after = store.read(DATABASE)
    pd.testing.assert_frame_equal(after.tables["prints"], before.tables["prints"])
    assert learnt_from() == ["P1", "P3", "R1"]


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


def test_models_are_listed_put_in_charge_and_compared(shop, capsys):
    assert "no model has been learnt yet" in says(capsys, "models", code=2)
    for n, median in enumerate((0.4, 0.6)):
        facts = {"validation": {"median_dE00": median, "coverage90": 0.91}, "rows": {"prints": n}}
        versions.save(Path("models/tiny"), {"x": np.zeros(1)}, {}, facts)
    said = says(capsys, "models").splitlines()
    assert "0.40" in said[1]
    assert said[2].endswith("in charge")
    assert "Model 0001 is in charge, in place of 0002" in says(capsys, "models", "--use", "1")
    assert versions.load(Path("models/tiny")).version == "0001"
    said = says(capsys, "models", "--compare", "0001", "0002")
    assert "0.40        0.60" in said
    assert 'no model version "0009"; it has 0001, 0002' in says(
        capsys, "models", "--use", "9", code=2
    )
    (Path("models/tiny/0002") / "arrays.npz").write_bytes(b"PK")
    said = says(capsys, "models", "--use", "2", code=2)
    assert "damaged" in said
    assert versions.in_charge(Path("models/tiny")) == "0001"


def test_a_shop_on_a_server(tmp_path, monkeypatch, capsys, server):
    from tests.servers import fresh_database

    write_shop(tmp_path / "tables")
    monkeypatch.chdir(tmp_path)
    with fresh_database(server) as url:
        says(capsys, "import", "tables", "--shop", "tiny", "--database", url)
        assert Path("datasets/tiny/database.url").read_text().strip() == url
        assert not DATABASE.exists()
        says(capsys, "record", write("b.csv", GOOD))
        assert "b.csv" in says(capsys, "history")
        says(capsys, "import", "tables")  # finds its shop, on the server
        assert main(["export", "out"]) == 0
        assert "R1," in Path("out/prints.csv").read_text()
        capsys.readouterr()
        said = says(capsys, "import", "tables", "--shop", "tiny", "--database", url + "x", code=2)
        assert "names another database" in said
    assert "the server does not answer" in says(capsys, "history", code=2)
