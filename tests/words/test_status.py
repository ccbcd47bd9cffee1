"""Drift in words."""

from __future__ import annotations

import pandas as pd

from learn.monitoring import cusum as drift
from pipelines.words.status import REMEDIES, drift_lines, drift_sentence

CALLED = {"press": {"P2": "Automat"}, "ink": {"C07": "Bright red"}}


def test_drift_in_words():
    row = {"cause": "press", "level": "P2", "percent": 9.2, "lo": 5.1, "hi": 13.2,
           "false_alarms": 0.2}  # fmt: skip
    row |= dict.fromkeys(("since", "since_lo", "since_hi"), pd.Timestamp("2025-05-03"))
    assert drift_sentence(row, CALLED) == (
        "Press Automat (P2) lays 9 % more ink since 3 May 2025 (90 % band 5 to 13 %)."
    )
    row |= {"cause": "mesh", "level": "77-55", "percent": -9.2, "lo": -13.2, "hi": -5.1}
    assert "Mesh 77-55 lays 9 % less ink since 3 May 2025 (90 % band 5 to 13 %)" in drift_sentence(
        row, CALLED
    )
    row |= {"cause": "lot", "level": "C07, lot L03"}
    assert drift_sentence(row, CALLED) == (
        "Bright red (C07), lot L03 prints weaker than forecast since 3 May 2025."
    )
    assert "0.2 in 1,000 prints" in next(drift_lines(pd.DataFrame([row]), CALLED))
    assert "none seen" in next(drift_lines(pd.DataFrame([row]).head(0), CALLED))
    assert set(drift.KINDS) == set(REMEDIES)
