"""Recorded changes of presses: read, refused in one sentence, kept with the shop."""

from __future__ import annotations

import pandas as pd
import pytest

from pipelines.ledger.incoming import read_incoming
from pipelines.ledger.press_changes import change_said
from pipelines.ledger.recording import plan
from pipelines.ledger.state import IMPORT, Addition, Batch, Decision, Ledger, Sheet, current, judged
from pipelines.registry.versions import fingerprint
from pipelines.tables.folder import Checked, read_folder, to_shop
from pipelines.workspace.problems import InputProblems, UserError
from tests.tables.reading import TODAY, read
from tests.tiny_shop import TINY, write_shop

CHANGES = "Press,Date,What was changed,Note\na,31.3.2025,new blade,\nA,2025-06-01,mended,by Jo\n"


def with_changes(folder, text: str, **tables: str) -> Checked:
    write_shop(folder, **tables)
    (folder / "changes.csv").write_text(text)
    return read_folder(folder, name="tiny", today=TODAY)


def ledger_of(checked: Checked) -> Ledger:
    sheets = {name: Sheet(cells) for name, cells in checked.given.tables.items()}
    return Ledger() + Addition(Batch(IMPORT, sheets, shop="tiny", id=1))


def test_changes_are_read_as_people_keep_them(tmp_path):
    shop = with_changes(tmp_path, CHANGES).shop
    assert shop.changes["press_id"].tolist() == ["A", "A"]
    assert shop.changes["changed_on"].tolist() == [
        pd.Timestamp("2025-03-31"),
        pd.Timestamp("2025-06-01"),
    ]
    assert shop.changes["what"].tolist() == ["new blade", "mended"]
    assert not len(read(tmp_path / "without").shop.changes)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("B,2025-03-31,new blade", 'press_id: no print names a press "B"; they name A; correct'),
        ("A,2026-02-01,new blade", "changed_on: 2026-02-01 is still to come; record a change on"),
        ("A,,new blade", "changed_on: is empty; give the day of the change"),
        ("A,2025-03-31,", "what: is empty; say what was changed"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(tmp_path, row, said):
    with pytest.raises(InputProblems) as error:
        with_changes(tmp_path, f"press_id,changed_on,what\n{row}\n")
    assert f"changes.csv, row 2, column {said}" in str(error.value)
    assert len(error.value.problems) == 1


def test_prints_without_a_date_on_a_changed_press_are_told(tmp_path):
    prints = TINY["prints.csv"].replace("P3,2025-03-09", "P3,")
    told = "\n".join(with_changes(tmp_path, CHANGES, prints=prints).warnings)
    assert "1 print has no date (printed_on) on a press with recorded changes" in told


def test_changes_live_with_the_shop_and_are_learnt_from(tmp_path):
    checked = with_changes(tmp_path, CHANGES)
    assert fingerprint(checked.given) != fingerprint(read(tmp_path / "plain").given)
    folder = tmp_path / "more"
    folder.mkdir()
    (folder / "changes.csv").write_text(
        "press_id,changed_on,what\nA,2025-07-01,new screens\nA,2025-03-31,new blade\n"
    )
    ledger = ledger_of(checked)
    incoming = read_incoming(folder, None, checked.shop.settings, None)
    addition, report = plan(ledger, incoming, None, declared=False)
    assert addition is not None
    assert report.described == {"changes": 1}  # the other stands there already
    ledger = ledger + ledger.numbered(addition, "", "")
    given = current(ledger).given
    assert to_shop(given).changes["what"].tolist() == ["new blade", "mended", "new screens"]
    for name, cells in given.tables.items():  # what is exported can be imported
        cells.to_csv(tmp_path / f"{name}.csv", index=False)
    again = read_folder(tmp_path, name="tiny", today=TODAY).shop
    assert again.changes["what"].tolist() == ["new blade", "mended", "new screens"]
    taken_back = ledger + Addition(None, (Decision("taken back", batch=2, id=9),))
    assert len(to_shop(current(taken_back).given).changes) == 2


def test_a_shop_opens_whatever_becomes_of_the_prints_of_a_changed_press(tmp_path):
    ledger = ledger_of(with_changes(tmp_path, CHANGES))
    state = current(ledger)
    out = tuple(
        Decision("set aside", p, "smudged", judged=judged(state.cells(state.row_of(p))), id=i)
        for i, p in enumerate(["P1", "P3"])
    )
    assert len(to_shop(current(ledger + Addition(None, out)).given).changes) == 2


def test_a_change_is_said_on_the_command_line(tmp_path):
    given = read(tmp_path).given
    incoming = change_said(given, "a", "new blade", "3.5.2025", None)
    assert incoming.tables["changes"].iloc[0].tolist() == ["A", "2025-05-03", "new blade", ""]
    for what, day, told in [
        ("mended", None, "--change takes a day as well"),
        (None, "2025-05-03", "--change takes what was changed as well"),
        ("mended", "2999-01-01", '--date: "2999-01-01" is not a date'),
        ("mended", "May", '--date: "May" is not a date;'),
    ]:
        with pytest.raises(UserError, match=told):
            change_said(given, "A", what, day, None)
    with pytest.raises(UserError, match=r'--change: no print names a press "P9"; they name A;'):
        change_said(given, "P9", "mended", "today", None)
