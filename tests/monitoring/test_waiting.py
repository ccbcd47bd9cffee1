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


def levels(prints: pd.DataFrame, lab: np.ndarray, waits: np.ndarray) -> set[tuple[str, str]]:
    typed = np.ones(len(prints), bool)
    found = in_doubt(small_model(), prints, lab, waits, typed=typed, bases=BASES)
    return {one.level for one in found}


def latest(n: int) -> pd.DataFrame:
    """The last n prints of one press, all on one late day."""
    prints = small_shop().prints
    last = prints[prints["press_id"] == "P1"].groupby("ink_id").tail(2).tail(n)
    return last.assign(printed_on=LATE).reset_index(drop=True)


def test_a_press_most_of_whose_latest_prints_wait_is_in_doubt():
    prints = latest(6)
    away = np.array([9.0, -7.0, 6.0])
    waits = np.array([True] * 4 + [False] * 2)
    lab = off(prints, np.where(waits[:, None], away, 0.0))
    assert ("era", "P1") in levels(prints, lab, waits)
    one = np.arange(6) == 0
    lab = off(prints, np.where(one[:, None], away, 0.0))
    assert ("era", "P1") not in levels(prints, lab, one), "one print may be a slip"
    assert levels(prints, off(prints, np.zeros(3)), waits) == set(), "they fit by now"


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
