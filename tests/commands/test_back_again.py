"""Tables, batches and decisions that come back: nothing is lost on the way, or it is said."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import Workbook

from pipelines.ledger import store
from pipelines.ledger.state import current
from pipelines.tables.folder import to_shop
from tests.commands.counter import DATABASE, GOOD, HEADER, says, write
from tests.tiny_shop import TINY, write_shop


def standing(print_id: str) -> str | None:
    """Why a print is set aside."""
    state = current(store.read_ledger(DATABASE))
    return state.standing[state.row_of(print_id)].why


def test_a_decision_outlives_numbers_that_a_spreadsheet_writes_otherwise(shop, capsys):
    says(capsys, "doubts", "set-aside", "P1", "--reason", "smeared")
    prints = TINY["prints.csv"].replace("P2,,,,tee-black,,,,blue", "P2,,J7,,tee-black,,,,blue")
    write_shop(Path("again"), prints=prints.replace("46.00,58.2,31.0", "46,58.20,31"))
    said = says(capsys, "import", "again", "--shop", "tiny")
    assert "no longer holds" not in said
    assert standing("P1") == "smeared"
    another = prints.replace("46.00,58.2,31.0", "47.5,58.2,31.0")
    write_shop(Path("other"), prints=another)
    said = says(capsys, "import", "other", "--shop", "tiny")
    assert "What was decided on 1 print no longer holds" in said and ": P1." in said
    assert standing("P1") is None


def test_what_was_corrected_and_comes_back_so_is_no_news(shop, capsys):
    says(capsys, "doubts", "correct", "P3", "--mesh", "90-48")
    says(capsys, "export", "out")
    assert "no longer holds" not in says(capsys, "import", "out", "--shop", "tiny")


def test_a_batch_that_was_replaced_does_not_come_back_over_what_took_its_place(shop, capsys):
    says(capsys, "record", write("one.csv", GOOD))
    says(capsys, "record", write("two.csv", GOOD.replace("77-55", "43-80")), "--replace", "2")
    said = says(capsys, "history", "--put-back", "2", code=2)
    assert "print R1 stands otherwise in batch 3" in said and "nothing was changed" in said
    says(capsys, "history", "--take-back", "3")
    assert "Batch 2 is in again" in says(capsys, "history", "--put-back", "2")


def test_a_folder_says_what_of_it_stays_aside(shop, capsys):
    folder = Path("more")
    folder.mkdir()
    write("more/prints.csv", GOOD)
    write("more/decisions.csv", "R1,set_aside,smeared\n", header="print_id,stands,reason\n")
    assert "decisions.csv stay aside" in says(capsys, "record", "more")


def test_an_aim_with_decimal_commas_is_exported_as_it_is_read(shop, capsys):
    header = "print_id;substrate_id;ink_id;mesh_id;strokes;flash_count;L;a;b"
    header += ";target_L;target_a;target_b;tolerance_dE00\n"
    row = "N4;tee-black;007;77-55;1;0;45,4;59,8;34,6;45,5;60,1;30,2;1,5\n"
    says(capsys, "record", write("n.csv", row, header=header))
    says(capsys, "export", "out")
    aims = pd.read_csv("out/aims.csv", dtype=str)
    assert aims[["target", "tolerance_dE00"]].to_numpy().tolist() == [["45.5,60.1,30.2", "1.5"]]
    says(capsys, "import", "out", "--shop", "tiny")


def test_a_card_of_two_inks_may_tell_of_the_second_and_a_press_of_its_change(shop, capsys):
    """As columns of these tables, both optional."""
    tables = dict(TINY)
    cards = tables["drawdowns.csv"].splitlines()
    cards = [line + end for line, end in zip(cards, (",second_ink_id,second_share_pct", ",,", ",,"),
                                             strict=True)]  # fmt: skip
    cards.append(cards[1].rstrip(",") + ",,,,white,30")
    tables["drawdowns.csv"] = "\n".join(cards) + "\n"
    presses = "press_id,press_name,changed_on,what\nA,Automat,2025-03-05,new blade\nB,Hand,,\n"
    shutil.rmtree("told", ignore_errors=True)
    write_shop(Path("told"), drawdowns=tables["drawdowns.csv"])
    write("told/presses.csv", presses, header="")
    says(capsys, "import", "told", "--shop", "tiny")
    shop = to_shop(store.read(DATABASE))
    [tint] = shop.tints.to_dict("records")
    assert (tint["mixed_with"], tint["share_pct"]) == ("white", pytest.approx(70.0))
    [change] = shop.changes.to_dict("records")
    assert (change["press_id"], change["what"]) == ("A", "new blade")
    assert change["changed_on"] == pd.Timestamp("2025-03-05")
    assert set(shop.presses["press_id"]) == {"A", "B"}
    write("more.csv", "B,Hand,2025-04-01,mended\n", header="press_id,press_name,changed_on,what\n")
    Path("more").mkdir()
    shutil.move("more.csv", "more/presses.csv")
    says(capsys, "record", "more")
    assert sorted(to_shop(store.read(DATABASE)).changes["press_id"]) == ["A", "B"]
    book = Workbook()
    book.active.title = "Prints"
    for line in (HEADER + GOOD).splitlines():
        book.active.append([float(c) if c[:1].isdigit() and c != "007" and "-" not in c else c
                            for c in line.split(",")])  # fmt: skip
    sheet = book.create_sheet("Presses")
    for row in (("press_id", "press_name", "changed_on", "what"), ("C", "Long", "2025-05-02", "")):
        sheet.append(row)
    book.save("week.xlsx")
    says(capsys, "record", "week.xlsx")
    changes = to_shop(store.read(DATABASE)).changes.set_index("press_id")
    assert changes.loc["C", "what"] == "changed"
