"""Which lots, presses and screens are in doubt by prints that wait."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from learn.monitoring.waiting import in_doubt
from learn.predict.causes import Verdict
from tests.small_demo import LAB, small_model, small_shop

BASES = pd.DataFrame(columns=["underbase_ink_id", "underbase_mesh_id", "underbase_strokes"])
LATE = pd.Timestamp("2025-12-18")


def off(prints: pd.DataFrame, lab: np.ndarray) -> np.ndarray:
    """Lab of prints as the model has them, so much off."""
    return small_model().means(prints) + lab


AWAY = np.array([9.0, -7.0, 6.0])


def levels(prints: pd.DataFrame, lab: np.ndarray, waits: np.ndarray) -> set[tuple[str, str]]:
    typed = np.ones(len(prints), bool)
    model = small_model().told_of(replace(small_shop(), prints=prints))
    found = in_doubt(model, prints, lab, waits, typed=typed, bases=BASES)
    return {one.level for one in found}


def latest(n: int) -> pd.DataFrame:
    """The last n prints of one press, all on one late day."""
    prints = small_shop().prints
    last = prints[prints["press_id"] == "P1"].groupby("ink_id").tail(2).tail(n)
    return last.assign(printed_on=LATE).reset_index(drop=True)


def test_a_press_most_of_whose_latest_prints_wait_is_in_doubt():
    prints = latest(6)
    waits = np.array([True] * 4 + [False] * 2)
    lab = off(prints, np.where(waits[:, None], AWAY, 0.0))
    assert ("era", "P1") in levels(prints, lab, waits)
    one = np.arange(6) == 0
    lab = off(prints, np.where(one[:, None], AWAY, 0.0))
    assert ("era", "P1") not in levels(prints, lab, one), "one print may be a slip"
    assert levels(prints, off(prints, np.zeros(3)), waits) == set(), "they fit by now"


def test_what_nobody_decided_on_long_ago_does_not_hide_what_is_off_now():
    prints = latest(12)
    days = LATE - pd.to_timedelta(np.arange(12)[::-1] * 20, unit="D")
    prints = prints.assign(printed_on=days)
    waits = np.isin(np.arange(12), [0, 10, 11])  # one slip months ago, and the last two
    lab = off(prints, np.where(waits[:, None], AWAY, 0.0))
    assert ("era", "P1") in levels(prints, lab, waits)
    waits = np.isin(np.arange(12), [0, 10])
    lab = off(prints, np.where(waits[:, None], AWAY, 0.0))
    assert ("era", "P1") not in levels(prints, lab, waits), "two slips, months apart"


def test_where_no_lot_is_ever_written_down_an_ink_is_one():
    shop = small_shop().prints
    one_ink = shop[shop["ink_id"] == "C19"].tail(4)
    prints = one_ink.assign(printed_on=LATE, ink_lot=None).reset_index(drop=True)
    waits = np.array([False, False, True, True])
    lab = off(prints, np.where(waits[:, None], AWAY, 0.0))
    assert levels(prints, lab, waits) == {("ink", "C19")}
    several = latest(6).assign(ink_lot=None)
    lab = off(several, np.broadcast_to(AWAY, (6, 3)))
    assert ("era", "P1") in levels(several, lab, np.ones(6, bool)), "several inks: the press"


def test_first_prints_of_two_new_lots_do_not_hold_back_a_press():
    """Lots differ; a third one that does is no chance."""
    prints = latest(6).drop_duplicates("ink_id").head(3).reset_index(drop=True)
    assert len(prints) == 3
    prints = prints.assign(ink_lot="never printed")
    lab = off(prints, np.broadcast_to(AWAY, (3, 3)))
    two = levels(prints.head(2), lab[:2], np.ones(2, bool))
    assert {of for of, _ in two} == {"lot"}
    assert ("era", "P1") in levels(prints, lab, np.ones(3, bool))


def test_a_slip_that_is_named_does_not_lift_a_doubt():
    last = small_shop().prints
    last = last[last["ink_id"] == "C02"].tail(2)
    prints = last.assign(ink_lot="never printed", printed_on=LATE).reset_index(drop=True)
    lab = off(prints, np.zeros(3))
    lab[0] += AWAY
    lab[1] = lab[1, [0, 2, 1]]
    lot = ("lot", "C02\x1fnever printed")
    assert levels(prints.head(1), lab[:1], np.ones(1, bool)) == {lot}
    assert lot in levels(prints, lab, np.ones(2, bool))


def test_a_press_that_nobody_names_may_be_the_one_in_doubt():
    waiting = small_model().waiting_for({("era", "P1"): tuple(AWAY)})
    asked = latest(2).assign(press_id=[None, "P2"])
    hows = [{one.how for one in some} for some in waiting.unseen(asked)]
    assert ["waits" in some for some in hows] == [True, False]


def test_a_press_that_was_mended_since_is_not_what_waits():
    changes = pd.DataFrame({"press_id": ["P1"], "changed_on": [LATE + pd.Timedelta(days=2)]})
    mended = small_model().told_of(replace(small_shop(), changes=changes))
    waiting = mended.waiting_for({("era", "P1"): (9.0, -7.0, 6.0)})
    for days, waits in ((1, True), (3, False)):
        asked = latest(2).assign(printed_on=LATE + pd.Timedelta(days=days))
        hows = {one.how for some in waiting.unseen(asked) for one in some}
        assert ("waits" in hows) == waits


def test_nothing_with_what_is_in_doubt_goes():
    model, prints = small_model(), latest(4)
    setups = prints.assign(setup_id=prints["print_id"], tolerance_dE00=30.0)
    setups[["target_L", "target_a", "target_b"]] = model.means(prints)
    assert (model.predict(setups)["verdict"] == Verdict.GO).all()
    waiting = model.waiting_for({("era", "P1"): (9.0, -7.0, 6.0)})
    found = waiting.predict(setups)
    assert (found["verdict"] == Verdict.TEST).all()
    assert all(one[0].how == "waits" for one in found["unseen"])
    assert (found["L_sd"] > model.predict(setups)["L_sd"]).all()
    assert (model.predict(setups)["verdict"] == Verdict.GO).all(), "the model itself is as it was"
    np.testing.assert_array_equal(found[LAB], model.predict(setups)[LAB])
