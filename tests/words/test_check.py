"""Bands judged in words."""

import math
from types import SimpleNamespace

import pytest

from learn.assessment.reliability import Share, wilson
from pipelines.words.check import _few, bands_verdict


@pytest.mark.parametrize(
    ("share", "trials", "said"),
    [(0.90, 400, "hold"), (0.85, 400, "too narrow"), (0.96, 400, "too wide"), (0.9, 10, "too few")],
)
def test_bands_are_judged_against_nine_in_ten(share, trials, said):
    """By Wilson's interval: 34 of 40 may be honest 90 % bands, 340 of 400 cannot."""
    coverage = Share(share, *wilson(share, trials), trials)
    assert bands_verdict(SimpleNamespace(coverage=coverage)) == said


def test_a_base_printed_by_itself_is_told_without_numbers_it_has_not():
    """No usual set-up has it on top: what it is expected to be off by is no number."""
    row = {"factor": "ink", "level": "U1", "n": 3, "partners": 2}
    row |= {"expected": math.nan, "tests": math.nan}
    said = _few(row, SimpleNamespace(recorded={}, known_from={}), lambda factor, one: one)
    assert said.startswith("U1: known from 3 prints on 2 garments only. Print it alone")
    assert "nan" not in said
