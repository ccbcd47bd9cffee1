"""`export` and back; a shop on a server."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from pipelines.cli import main
from pipelines.ledger import store
from pipelines.tables.folder import to_shop
from pipelines.words.common import counted
from tests.commands.counter import DATABASE, GOOD, HEADER, learnt_from, says, write
from tests.tiny_shop import write_shop


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


@pytest.mark.parametrize("out", ["out", "out.xlsx"])
def test_what_prints_were_meant_to_be_goes_out_and_comes_back(shop, capsys, out):
    header = HEADER.replace("\n", ",target,tolerance_dE00\n")
    rows = [GOOD.replace("\n", ",#b04030,\n"), GOOD.replace("R1", "R2").replace("\n", ",,\n")]
    rows += [GOOD.replace("R1", "R3").replace("\n", ',"45,60,35",1.5\n')]
    says(capsys, "record", write("b.csv", *rows, header=header))
    meant = [["R1", "#b04030", ""], ["R3", "45,60,35", "1.5"]]
    assert store.read(DATABASE).aims.to_numpy().tolist() == meant
    says(capsys, "export", out)
    says(capsys, "import", out, "--shop", "again")
    again = store.read(Path("datasets/again/shop.db"))
    assert again.aims.to_numpy().tolist() == meant
    assert learnt_from() == to_shop(again).prints["print_id"].tolist()
    says(capsys, "import", out, "--shop", "tiny")  # and over the shop it came from
    assert store.read(DATABASE).aims.to_numpy().tolist() == meant


def test_aims_that_cannot_be_right_are_told(shop, capsys):
    assert main(["export", "out"]) == 0
    aims = Path("out/aims.csv")
    assert not aims.exists()
    aims.write_text("print_id,target,tolerance_dE00\nP1,#aa3322,\nP9,#aa3322,2\n")
    assert "aims.csv: P9 is none of the prints" in says(capsys, "import", "out", "--shop", "again")
    aims.write_text("print_id,target,tolerance_dE00\nP1,,\nP1,#aa3322,wide\n")
    assert main(["import", "out", "--shop", "again"]) == 2
    said = capsys.readouterr().err
    assert "aims.csv, row 2, column target: is empty" in said
    assert 'aims.csv, row 3, column tolerance_dE00: "wide" is not a number' in said
    assert '"P1" stands in row 2 already' in said


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
    assert "the server has none of that name" in says(capsys, "history", code=2)


def test_a_workbook_out_and_in_again(shop, capsys):
    before = to_shop(store.read(DATABASE))
    assert "Exported 3 prints" in says(capsys, "export", "out.xlsx")
    assert "is there already" in says(capsys, "export", "out.xlsx", code=2)
    assert "name a folder" in says(capsys, "export", "out.pdf", code=2)
    dry = says(capsys, "import", "out.xlsx", "--shop", "again", "--dry-run")
    assert "Would import shop again: 3 inks" in dry and "Nothing was changed." in dry
    assert not Path("datasets/again").exists()
    says(capsys, "import", "out.xlsx", "--shop", "again")
    after = to_shop(store.read(Path("datasets/again/shop.db")))
    for name in ("inks", "substrates", "meshes", "drawdowns", "prints"):
        pd.testing.assert_frame_equal(getattr(before, name), getattr(after, name))


@pytest.mark.parametrize("out", ["out", "out.xlsx"])
def test_what_waits_for_a_decision_still_waits_in_a_shop_taken_in_again(shop, model, capsys, out):
    strange = GOOD.replace("R1", "R4").replace("45.4", "85.4")
    rows = [GOOD, strange, strange.replace("R4", "R5"), strange.replace("R4", "R6")]
    rows = [row.replace("R5,tee-black,007", "R5,tee-black,blue") for row in rows]
    says(capsys, "record", write("b.csv", *rows))
    says(capsys, "doubts", "set-aside", "R1", "--reason", "smeared")
    before = store.read_state(DATABASE)
    waiting = before.doubted()
    assert waiting
    says(capsys, "doubts", "keep", waiting[0])
    before = store.read_state(DATABASE)
    said = says(capsys, "export", out)
    assert "What was decided on prints is in the table decisions, with" in said

    said = says(capsys, "import", out, "--shop", "again")
    assert f"decisions: {len(waiting) - 1} waiting for a decision and 1 set aside, not cou" in said
    assert f" drawdowns, {counted(len(learnt_from()), 'print')}." in said
    after = store.read_state(Path("datasets/again/shop.db"))
    assert after.doubted() == before.doubted() == waiting[1:]
    assert after.given.set_aside == before.given.set_aside
    assert after.given.trusted == before.given.trusted == {waiting[0]}
    ids = to_shop(after.given).prints["print_id"].tolist()
    assert ids == learnt_from() and "R1" not in ids
    listed = says(capsys, "doubts", "--all", "--shop", "again")
    assert "R1" in listed and "smeared" in listed

    says(capsys, "doubts", "restore", "R1", "--shop", "tiny")  # what is decided here holds
    says(capsys, "import", out, "--shop", "tiny")
    assert "R1" in learnt_from()


def test_an_older_export_keeps_no_decision_that_holds_no_longer(shop, model, capsys):
    says(capsys, "doubts", "set-aside", "P1", "--reason", "smeared")
    says(capsys, "export", "out")
    assert "P1,set_aside,smeared" in Path("out/decisions.csv").read_text()
    own = {"aims.csv": "Print,Target\nP1,#aa3322\n", "notes.txt": "mine"}
    own |= {"targets.csv.old": "older"}
    stale = {"targets.csv": "name,hex\nrust,#aa3322\n", "presses.csv": "press_id,notes\nA,auto\n"}
    stale |= {"changes.csv": "press_id,changed_on,what\nA,2025-03-02,blade\n"}
    for name, text in stale.items():
        Path("out", name).write_text(text)
    for name, text in own.items():
        Path("out", name).write_text(text)
    says(capsys, "doubts", "restore", "P1")
    decisions = store.read_state(DATABASE).decided()
    assert decisions is not None, "a print restored by hand is one that was kept"
    write_shop(Path("bare"))
    says(capsys, "import", "bare", "--shop", "bare")
    assert main(["export", "out", "--shop", "bare", "--force"]) == 0
    said = capsys.readouterr().err
    assert "out/decisions.csv: was of an earlier export" in said
    assert "out/aims.csv: is not of this shop and stays as it was" in said
    assert Path("out/decisions.csv").read_text() == "print_id,stands,reason\n"
    assert {name: Path("out", name).read_text() for name in own} == own
    for name, text in stale.items():
        assert Path("out", name).read_text() == text.splitlines(keepends=True)[0]
        assert f"out/{name}: was of an earlier export" in said
        old = "targets.csv.old2" if name == "targets.csv" else f"{name}.old"
        assert Path("out", old).read_text() == text
    assert main(["export", "out", "--shop", "bare", "--force"]) == 0  # once is enough
    said = capsys.readouterr().err
    assert "earlier export" not in said and "targets.csv" not in said
    Path("out/aims.csv").unlink()
    says(capsys, "import", "out", "--shop", "again")
    again = store.read(Path("datasets/again/shop.db"))
    assert "P1" in to_shop(again).prints["print_id"].tolist()
    assert again.targets is None or again.targets.empty


def test_decisions_that_cannot_be_read_are_told(shop, capsys):
    says(capsys, "export", "out")
    assert not Path("out/decisions.csv").exists()
    decisions = "print_id,stands,reason\nP1,perhaps,\nP3,Set aside,thin\nP9,kept,\n"
    Path("out/decisions.csv").write_text(decisions)
    assert main(["import", "out", "--shop", "again"]) == 2
    said = capsys.readouterr().err
    assert 'decisions.csv, row 2, column stands: "perhaps" is none of waits, set_aside' in said
    Path("out/decisions.csv").write_text(decisions.replace("perhaps", "Waits"))
    said = says(capsys, "import", "out", "--shop", "again")
    assert "decisions.csv: P9 is none of the prints and was left out" in said
    assert "1 waiting for a decision and 1 set aside, not counted among these and not " in said
    again = store.read_state(Path("datasets/again/shop.db"))
    assert again.doubted() == ["P1"]
