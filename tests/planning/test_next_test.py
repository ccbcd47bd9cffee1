"""Which test print to pull: savings."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from learn.planning.next_test import Unproven, in_order, rank_tests, unproven_lots
from learn.predict.carrying import Carrying
from learn.predict.causes import Cause, Unseen
from learn.shop import NEW_LOT
from tests.small_demo import LAB, TRUE_LAB, next_prints, small_model, small_shop


def test_a_test_print_is_worth_most_where_many_jobs_share_the_ink(open_jobs):
    ranked = rank_tests(small_model(), open_jobs)
    assert (ranked["saving"].diff().dropna() <= 0).all()
    assert (ranked["saving"] >= -35.0 - 1e-6).all()  # at worst the test print itself is lost
    one = rank_tests(small_model(), open_jobs.iloc[:1])
    assert ranked["saving"].max() > one["saving"].max()
    with pytest.raises(ValueError, match="has no target"):
        rank_tests(small_model(), open_jobs.assign(target_L=np.nan))


def test_a_first_print_takes_no_sureness_away(open_jobs):
    """Even where bands of inks left out proved far too wide, one never printed is judged no less
    carefully than others; what was sure without a print is so with it."""
    model = copy.copy(small_model())
    model.spread_factors_ = model.spread_factors_ | {"ink": 0.5, "lot": 0.5}
    model.carrying_ = Carrying.whole()
    ranked = rank_tests(model, open_jobs).set_index("setup_id")
    one = ranked["p"].idxmin()
    others = (open_jobs["setup_id"] != one).to_numpy()
    before = model.predict(open_jobs)["verdict"] == "go"
    assert ranked["spared"][one] >= 0
    first = open_jobs[open_jobs["setup_id"] == one]
    first = first.assign(print_id="T", **dict(zip(LAB, model.means(first).T, strict=True)))
    prints = pd.concat([small_shop().prints, first.drop(columns=TRUE_LAB)], ignore_index=True)
    after = model.append(replace(small_shop(), prints=prints)).predict(open_jobs)["verdict"] == "go"
    assert after[others].sum() >= before[others].sum()


def test_a_test_print_its_job_needs_anyway_costs_nothing_more(open_jobs):
    model = small_model()
    verdicts = model.predict(open_jobs).set_index("setup_id")
    far = open_jobs["setup_id"].iloc[0]
    jobs = open_jobs.assign(target_L=open_jobs["target_L"] + np.r_[40.0, np.zeros(11)])
    ranked = rank_tests(model, jobs).set_index("setup_id")
    needed = ranked["verdict"] == "test"
    # but for the draws, and bands of few prints that allow for how little these tell, never below
    # nought
    assert (ranked["saving"][needed] >= -3.0).all()
    told = ["verdict", "cause"]
    asked = verdicts[told].loc[ranked.index].drop(far)
    pd.testing.assert_frame_equal(ranked[told].drop(far), asked)
    assert needed.drop(far).any()
    assert not needed[far]  # it misses: a test print settles nothing
    assert ranked["saving"][far] < ranked["saving"][needed].max()


def test_where_nothing_is_saved_the_riskiest_goes_first():
    """Chance to miss times cost: 0.6, 0.9 and 0.2 of a run; the last would not be tested."""
    found = pd.DataFrame(
        {
            "setup_id": ["a", "b", "c", "d"],
            "verdict": ["test", "test", "go", "change"],
            "saving": [0.0, -1e-9, -1.0, -1.0],
            "risk": [6.0, 9.0, 2.0, 10.0],
        }
    )
    settings = small_model().settings_
    assert in_order(found, settings)["setup_id"].tolist() == ["b", "a", "d", "c"]
    worth = found.assign(saving=[2.0, 300.0, 1.0, 0.0])
    assert in_order(worth, settings)["setup_id"].tolist() == ["b", "a", "c", "d"]


def test_the_risk_of_a_job_is_its_chance_to_miss_times_a_spoiled_run(open_jobs):
    model = copy.copy(small_model())
    model.settings_ = replace(model.settings_, cost_test_print=30.0, cost_spoiled_print=400.0)
    ranked = rank_tests(model, open_jobs)
    assert_allclose(ranked["risk"], 400 * (1 - ranked["p"]))
    told = model.predict(open_jobs).set_index("setup_id")["p_in_tolerance"]
    assert_allclose(ranked["p"], told[ranked["setup_id"]], rtol=1e-12)


def test_one_print_of_a_new_lot_is_worth_more_the_more_jobs_are_of_it():
    jobs = next_prints(["C19"]).drop_duplicates("substrate_id").head(5).reset_index(drop=True)
    jobs[[f"target_{c}" for c in LAB]] = jobs[TRUE_LAB].to_numpy()
    jobs = jobs.assign(tolerance_dE00=2.0)
    together = rank_tests(small_model(), jobs.assign(ink_lot=NEW_LOT))
    apart = rank_tests(small_model(), jobs.assign(ink_lot=[f"X{i}" for i in range(len(jobs))]))
    assert together["saving"].max() > apart["saving"].max()


def test_lots_that_few_prints_tell_of_are_named_with_the_job_that_tests_them():
    jobs = pd.DataFrame(
        {
            "setup_id": ["a", "b", "c", "d", "e"],
            "ink_id": ["C1", "C1", "C1", "C2", "C2"],
            "ink_lot": ["7", "7", "6", "7", None],
        }
    )
    ranked = pd.DataFrame({"setup_id": ["b", "e", "c", "a", "d"]})
    prints = {("C1", "7"): 0, ("C1", "6"): 12, ("C2", "7"): 1}
    found = unproven_lots(ranked, jobs, lambda ink, lot: prints[ink, lot])
    assert found == [Unproven("C1", "7", 0, ("b", "a")), Unproven("C2", "7", 1, ("d",))]


def test_one_print_of_an_unproven_pair_spares_the_others_and_one_that_does_not_fit_does_not(
    open_jobs,
):
    """Whatever their chances, all twelve want a test print; by chance alone few of them would."""
    found, easy = {}, open_jobs.assign(tolerance_dE00=9.0)
    for one in (Unseen("over", "never", "a\x1fb"), Unseen("ink", "contradict", "C08"), None):
        model = copy.copy(small_model())
        told = model.predict(easy)
        if one is not None:
            told = told.assign(unseen=[(one,)] * len(told), verdict="test", cause=Cause.UNSEEN)
        model.predict = lambda _, told=told: told
        found[one and one.how] = rank_tests(model, easy)
    assert (found["never"]["spared"] > 10).all()
    assert (found["never"]["saving"] > 10 * 35.0).all()
    assert_allclose(found["contradict"][["saving", "spared"]], 0, atol=1e-9)
    assert (found[None]["spared"] < 1).all()
