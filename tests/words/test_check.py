"""Bands judged in words."""

from types import SimpleNamespace

import pytest

from learn.assessment.reliability import Share, wilson
from pipelines.words.check import bands_verdict


@pytest.mark.parametrize(
    ("share", "trials", "said"),
    [(0.90, 400, "hold"), (0.85, 400, "too narrow"), (0.96, 400, "too wide"), (0.9, 10, "too few")],
)
def test_bands_are_judged_against_nine_in_ten(share, trials, said):
    """By Wilson's interval: 34 of 40 may be honest 90 % bands, 340 of 400 cannot."""
    coverage = Share(share, *wilson(share, trials), trials)
    assert bands_verdict(SimpleNamespace(coverage=coverage)) == said
