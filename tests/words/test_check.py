"""Bands judged in words."""

from types import SimpleNamespace

import pandas as pd
import pytest

from learn.assessment.attribution import Budget
from learn.assessment.reliability import Share, wilson
from pipelines.words.check import advice, bands_verdict


@pytest.mark.parametrize(
    ("share", "trials", "said"),
    [(0.90, 400, "hold"), (0.85, 400, "too narrow"), (0.96, 400, "too wide"), (0.9, 10, "too few")],
)
def test_bands_are_judged_against_nine_in_ten(share, trials, said):
    """By Wilson's interval: 34 of 40 may be honest 90 % bands, 340 of 400 cannot."""
    coverage = Share(share, *wilson(share, trials), trials)
    assert bands_verdict(SimpleNamespace(coverage=coverage)) == said


def test_a_press_is_not_blamed_for_inks_that_were_hardly_known():
    """First prints: one job an ink, and the forecasts allowed for as much as they were off."""
    row = {"factor": "press", "level": "hand", "n": 10, "partners": 3, "error": 7.1, "scatter": 0.6,
           "beyond": 10.8, "beyond_sd": 4.8, "expected": 0.7, "tests": 0.6}  # fmt: skip
    for foreseen, blamed in ((6.9, False), (4.0, True)):
        limits = pd.DataFrame([row | {"foreseen": foreseen, "worst": 10.8}])
        glance = SimpleNamespace(limits=limits, budget=Budget(5.8, 0.7, 0.2), known_from={},
                                 recorded={}, tolerance_dE00=2.0)  # fmt: skip
        assert any("Press hand" in text for text in advice(glance)) == blamed
