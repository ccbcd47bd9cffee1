"""Nothing that people write is taken wrong; what is refused says what to do, and that works."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.natural.trying import Case, Outcome, Trial, cases

CASES = cases()


@pytest.fixture(scope="module")
def trial(tmp_path_factory) -> Trial:
    return Trial(tmp_path_factory.mktemp("natural") / "trial")


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_case_ends_as_it_should(trial, case):
    judged = trial.judge(case)
    assert judged.outcome == case.wanted, judged.why


def test_a_case_against_another_truth_is_found_wrong(trial):
    told = [case for case in CASES if case.prints and "48.4" in case.prints][:3]
    assert len(told) == 3
    for case in told:
        truth = case.prints or ""
        false = replace(case, name=f"false {case.name}", prints=truth.replace("48.4", "48.5"))
        assert false != case
        assert trial.judge(false).outcome == Outcome.WRONG


def test_names_are_given_once():
    names = [case.name for case in CASES]
    assert len(set(names)) == len(names)
    assert all(isinstance(case, Case) for case in CASES)
