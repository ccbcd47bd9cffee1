"""Presses: called by name where the shop keeps a table of them, and never silently misspelt."""

from __future__ import annotations

import dataclasses

import openpyxl
import pytest

from pipelines.ledger.incoming import read_incoming
from pipelines.ledger.recording import plan
from pipelines.ledger.state import IMPORT, Addition, Batch, Ledger, Sheet, current
from pipelines.registry.catalogue import Catalogue
from pipelines.registry.versions import fingerprint
from pipelines.tables.blank import write_blank
from pipelines.tables.folder import Checked, read_folder, read_setups, to_shop
from pipelines.workspace.problems import InputProblems, UserError
from tests.tables.reading import TODAY, read
from tests.tiny_shop import SETUPS, TINY, write_shop

PRESSES = "press_id,press_name,aliases,notes\nA,Big carousel,old one;Karussell,\nB,Small,,idle\n"
PRINTS = TINY["prints.csv"]


@pytest.fixture
def named(tmp_path) -> Checked:
    """The tiny shop with names for its presses."""
    (tmp_path / "shop").mkdir()
    (tmp_path / "shop" / "presses.csv").write_text(PRESSES)
    return read(tmp_path / "shop", prints=PRINTS.replace("J2,A", "J2,big CAROUSEL"))


def jobs(tmp_path, checked: Checked, *presses: str):
    head, first, *_ = SETUPS.splitlines()
    rows = [f"{first.replace('S2', f'S{n}')},{press}" for n, press in enumerate(presses)]
    (tmp_path / "jobs.csv").write_text("\n".join([f"{head},press_id", *rows, ""]))
    frame, told = read_setups(tmp_path / "jobs.csv", Catalogue.of(checked.shop).names())
    return frame["press_id"].tolist(), "\n".join(told)


def recorded(tmp_path, checked: Checked, press: str, presses: str | None = None):
    """The print of another day on a press, in a folder, recorded: the ledger then, and notes."""
    sheets = {name: Sheet(cells) for name, cells in checked.given.tables.items()}
    ledger = Ledger() + Addition(Batch(IMPORT, sheets, shop="tiny", id=1))
    folder = tmp_path / "more"
    folder.mkdir(exist_ok=True)
    head, first, *_ = PRINTS.splitlines()
    row = first.replace("P1", "P9").replace("J1,A", f"J9,{press}")
    (folder / "prints.csv").write_text(f"{head}\n{row}\n")
    if presses is not None:
        (folder / "presses.csv").write_text(presses)
    incoming = read_incoming(folder, None, checked.shop.settings, None)
    addition, report = plan(ledger, incoming, None, declared=False)
    assert addition is not None
    return ledger + ledger.numbered(addition, "", ""), "\n".join(report.notes)


def test_a_press_has_its_name_in_prints_and_jobs(tmp_path, named):
    assert named.given.tables["prints"]["press_id"].tolist() == ["A", "", "A"]
    assert 'read "big CAROUSEL" as press Big carousel (A)' in "\n".join(named.warnings)
    presses, told = jobs(tmp_path, named, "karussell", "B", "small", "", "a")
    assert presses == ["A", "B", "B", None, "A"]
    assert 'read "karussell" as press Big carousel (A), in 1 row.' in told
    setups, _ = read_setups(tmp_path / "jobs.csv", Catalogue.of(named.shop).names())
    described = Catalogue.of(named.shop).describe(setups)["press_name"].dropna().tolist()
    assert described == ["Big carousel", "Small", "Small", "Big carousel"]


def test_a_press_that_the_table_lacks_is_refused_and_one_is_suggested(tmp_path, named):
    with pytest.raises(InputProblems, match=r'row 3, column press_id: "Big carusel".*Big carousel'):
        jobs(tmp_path, named, "A", "Big carusel")
    folder = tmp_path / "shop"
    (folder / "prints.csv").write_text(PRINTS.replace(",A,", ",C,"))
    with pytest.raises(InputProblems) as error:
        read_folder(folder, name="tiny", today=TODAY)
    [problem] = error.value.problems  # one for the press, not one a print
    assert '"C" is not in presses.csv (and 1 more row)' in problem.what
    assert "add it to presses.csv" in problem.do


def test_without_a_table_a_press_no_print_names_is_told(tmp_path):
    checked = read(tmp_path / "shop", prints=PRINTS.replace(",A,", ",Press 12,"))
    assert checked.warnings == read(tmp_path / "other").warnings
    presses, told = jobs(tmp_path, checked, "Pres 12", "press-12", "Q", "Press 1")
    assert presses == ["Pres 12", "Press 12", "Q", "Press 1"]
    assert 'names a press "Pres 12"; is "Press 12" meant? It is taken as a new one.' in told
    assert 'read "press-12" as press Press 12' in told
    assert 'names a press "Q"; they name Press 12. It is taken as a new one.' in told


def test_spellings_of_one_press_in_the_history_are_told(tmp_path):
    checked = read(tmp_path / "shop", prints=PRINTS.replace("J2,A", "J2,a"))
    assert 'prints.csv: presses "A" (1) and "a" (1) are taken as different ones' in "\n".join(
        checked.warnings
    )


def test_a_new_press_is_recorded_with_its_row_and_is_usable_then(tmp_path, named):
    with pytest.raises(
        UserError, match=r"record a folder that holds .* the new row in presses.csv"
    ):
        recorded(tmp_path, named, "C")
    ledger, _ = recorded(tmp_path, named, "C", "press_id,press_name\nC,Automat\n")
    shop = to_shop(current(ledger).given)
    assert shop.presses["press_id"].tolist() == ["A", "B", "C"]
    presses, _ = jobs(tmp_path, dataclasses.replace(named, shop=shop), "automat")
    assert presses == ["C"]


def test_a_first_table_of_presses_keeps_those_that_prints_name(tmp_path):
    checked = read(tmp_path / "shop")
    ledger, told = recorded(tmp_path, checked, "C")
    assert 'names a press "C"; they name A. It is taken as a new one.' in told
    ledger, _ = recorded(tmp_path, checked, "C", "press_id,press_name\nC,Automat\n")
    given = current(ledger).given
    assert sorted(given.tables["presses"]["press_id"]) == ["A", "C"]
    for name, cells in given.tables.items():  # what is exported can be imported
        (tmp_path / "again").mkdir(exist_ok=True)
        cells.to_csv(tmp_path / "again" / f"{name}.csv", index=False)
    assert len(read_folder(tmp_path / "again", name="tiny", today=TODAY).shop.prints) == 4


def test_names_of_presses_are_not_learnt_from(tmp_path, named):
    plain = read(tmp_path / "plain", prints=PRINTS)
    assert fingerprint(plain.given) == fingerprint(
        read_folder(_with(tmp_path / "same", PRESSES), name="tiny", today=TODAY).given
    )
    assert "presses" not in plain.given.tables
    empty = read_folder(_with(tmp_path / "empty", "press_id\n"), name="tiny", today=TODAY)
    assert "presses" not in empty.given.tables


def test_the_workbook_has_a_sheet_for_presses(tmp_path, named):
    write_blank(tmp_path / "shop.xlsx")
    book = openpyxl.load_workbook(tmp_path / "shop.xlsx")
    book["Inks"].append(["blue", "Blue", "plastisol", "colour", 98])
    book["Garments"].append(["tee-black", "garment", "cotton", "Black", 17.2, 0.4, -0.9])
    book["Screens"].append(["77-55", 77, 55])
    book["Presses"].append(["P-1", "Carousel"])
    row = ["X1", None, None, "carousel", "tee-black", *[None] * 3, "blue", None, "77-55", 1, 0]
    book["Prints"].append([*row, *[None] * 5, 22.5, 4.1, -20.7])
    book.save(tmp_path / "shop.xlsx")
    shop = read_folder(tmp_path / "shop.xlsx", name="new", today=TODAY).shop
    assert shop.prints["press_id"].tolist() == ["P-1"]
    assert shop.presses["press_name"].tolist() == ["Carousel"]


def _with(folder, presses: str):
    write_shop(folder)
    (folder / "presses.csv").write_text(presses)
    return folder
