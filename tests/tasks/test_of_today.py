"""Who asks what will print means today, and the lot in use, unless another is named."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import pandas as pd
import pytest

from pipelines.tasks import of_today as module
from pipelines.tasks.of_today import COLUMNS, NOWHERE, days_told, of_today, searched
from pipelines.workspace.problems import UserError

NOW = date(2026, 11, 28)
DAY = pd.Timestamp(NOW)


@pytest.fixture(autouse=True)
def _on_this_day(monkeypatch):
    monkeypatch.setattr(module, "today", lambda: NOW)


def opened(last="2026-11-20", lots=("red",)) -> SimpleNamespace:
    """A model and its catalogue, as far as they are asked here."""
    return SimpleNamespace(
        model=SimpleNamespace(
            last_print=None if last is None else pd.Timestamp(last),
            encoder_=SimpleNamespace(first_day=pd.Timestamp("2022-01-07")),
        ),
        catalogue=SimpleNamespace(
            lots={ink: f"{ink}-7" for ink in lots},
            spelt={ink: [f"{ink}-7", "R 11"] for ink in lots},
            called=lambda _: {"red": "Bright red"},
        ),
    )


def setups(*rows: tuple[str, str | None, str | None]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["ink_id", "ink_lot", "printed_on"], dtype=object)
    return frame.assign(printed_on=pd.to_datetime(frame["printed_on"]))


def test_a_set_up_is_of_today_and_of_the_lot_in_use():
    asked = setups(("red", None, None), ("red", "old", "2025-03-01"), ("blue", None, None))
    found, told = of_today(asked, opened())
    assert found["printed_on"].tolist() == [DAY, pd.Timestamp("2025-03-01"), DAY]
    assert found["ink_lot"].tolist() == ["red-7", "old", None]
    unknown = "nothing is known of lot old of Bright red (red): taken as a new lot."
    assert told[0] == unknown and len(told) == 2
    lot = "lot red-7 of Bright red (red), the latest printed"  # of which ink, beside another
    assert f"today, 28 Nov 2026, and {lot}; --date and --lot" in told[1]
    _, of_file = of_today(asked, opened(), COLUMNS)
    assert unknown not in of_file and len(of_file) == 1
    slip = searched(opened(), "", {"red": "R 12"}).notes[0]
    assert slip.endswith("lot R 12 of Bright red (red): taken as a new lot; is R 11 meant?")
    named = setups(("red", "red-7", "2026-11-28"))
    found, told = of_today(named, opened())
    pd.testing.assert_frame_equal(found, named)
    assert told == []


def test_none_in_particular_can_be_asked_for():
    rows = [{"printed_on": "None"}, {"printed_on": "today"}, {}, {"printed_on": "2026-01-02"}]
    rows, undated = days_told(rows)
    days = [row.get("printed_on") for row in rows]
    assert days == ["", "2026-11-28", None, "2026-01-02"]
    found, told = of_today(setups(("red", "NONE", None)), opened(), undated=undated)
    assert found["printed_on"].isna().all()
    assert found["ink_lot"].isna().all()
    assert told == []
    found, told = of_today(setups(("red", "New", None)), opened(), COLUMNS, day="none")
    assert found["printed_on"].isna().all()
    assert found["ink_lot"].tolist() == ["new"]
    assert told == []
    rows = [{"printed_on": day} for day in ("28.11.2026", "2026/11/28", "28/11/2026")]
    assert [row["printed_on"] for row in days_told(rows)[0]] == ["2026-11-28"] * 3
    for day in ("28.11.2026", "2026-11-28", "Today"):
        assert searched(opened(), day, {}).day == DAY
    with pytest.raises(UserError, match='"3/4/2026" may be 3 April 2026 or 4 March 2026; w'):
        searched(opened(), "3/4/2026", {})
    with pytest.raises(UserError, match='--date "soon" is not a date; write it as 2026-03-31, or'):
        of_today(setups(("red", None, None)), opened(), day="soon")
    for day in ("9999-12-31", "1700-01-01", "2206-01-12"):
        with pytest.raises(UserError, match="is not a date a print can have; check the year"):
            searched(opened(), day, {})


def test_a_day_is_taken_only_where_the_history_has_days_and_one_long_since_is_told():
    found, told = of_today(setups(("red", None, None)), opened(last=None), NOWHERE)
    assert found["printed_on"].isna().all()
    assert told == ["reckoned for lot red-7, the latest printed."]
    told = of_today(setups(("blue", None, None)), opened("2022-11-01"), NOWHERE)[1]
    assert told[0] == "reckoned for today, 28 Nov 2026."
    assert "of 1 Nov 2022, 4 years before: bands are wider" in told[1]
    told = of_today(setups(("red", "red-7", "2027-11-01")), opened())[1]
    assert "of 20 Nov 2026, 11 months before: bands are wider" in told[0]
    told = of_today(setups(("red", "red-7", "1999-01-01")), opened())[1]
    assert "1 Jan 1999 lies before all prints, the first of which is of 7 Jan 2022" in told[0]
    assert of_today(setups(("red", "red-7", "2026-11-01")), opened())[1] == []


def test_a_search_is_of_the_same():
    found = searched(opened(lots=("red", "blue")), "", {"red": "New"})
    assert found.lots == {"red": "new", "blue": "blue-7"}
    assert found.day == DAY
    assert "lot blue-7 of blue, the latest printed" in found.notes[0]
    found = searched(opened(lots=("red", "blue")), "none", {"red": "none"}, ["red"])
    assert found == ({}, None, [])
