"""Gross errors in a history are found, and hardly a good print with them."""

from copy import deepcopy
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2

from learn.colour.colorimetry import delta_e00
from learn.fit.slips import (
    GROSS_DISTANCE,
    by_itself,
    gross_distance,
    is_gross,
    one_way,
    shared,
)
from learn.predict.causes import Unseen
from tests.small_demo import gross_errors, learnt, small_model, small_shop


def test_a_gross_error_is_both_improbable_and_visible():
    """Beyond the 1e-7 point of chi-square, 3 degrees of freedom (scipy: 35.41), and 1 dE00."""
    squared, dE00 = np.array([35.3, 35.5, 35.5, 900.0]), np.array([9.0, 9.0, 0.9, 0.9])
    assert chi2.isf(1e-7, 3) == pytest.approx(35.41, abs=0.01)
    assert is_gross(squared, dE00).tolist() == [False, True, False, False]


def test_gross_errors_are_set_aside_with_their_reason():
    spoilt = gross_errors() & set(small_shop().prints["print_id"])
    found = small_model().set_aside_
    assert len(spoilt) == 5
    assert spoilt <= set(found["print_id"])
    assert len(found) <= len(spoilt) + 1, "hardly a good print is lost"
    assert found["reason"].str.contains("from what all other prints say").all()
    assert small_model().validation_["n_set_aside"] == len(found)


def test_what_most_of_a_lot_is_off_by_is_no_slip_of_one_print():
    lots = pd.Series(["A"] * 5 + ["B"] * 4 + ["C"] * 3 + [None])
    squared = np.array([60.0, 70, 65, 62, 600, 2, 3, 1, 60, 900, 700, 2, 60])
    error = np.full((len(lots), 3), 5.0)
    alone = by_itself(squared, error, lots)
    assert (alone[:4] < 13).all(), "the lot is strong, and its prints agree"
    assert alone[4] > 100, "and yet one of them is a slip"
    np.testing.assert_array_equal(alone[5:], squared[5:])  # two slips of three are no strong lot
    np.testing.assert_array_equal(by_itself(squared, 4 * error, lots), squared)  # another ink


def of_another_ink(prints: pd.DataFrame, lot: str, ink: str) -> pd.Series:
    """Which prints are of ``lot``; they get the colours of as many prints of ``ink``."""
    those = prints["ink_lot"] == lot
    colours = [c for c in prints if c in list("Lab") or (c[0] == "r" and c[1:].isdigit())]
    others = prints[(prints["ink_id"] == ink) & ~prints["print_id"].isin(gross_errors())]
    prints.loc[those, colours] = others[colours].head(those.sum()).to_numpy()
    return those


def test_another_ink_under_the_name_of_a_lot_is_set_aside_whole_and_spoils_nothing():
    """A job written down under the wrong ink is no lot, however well its prints agree."""
    shop = small_shop()
    prints = shop.prints.copy()
    those = of_another_ink(prints, "C02-L04", "C24")
    assert those.sum() == 3
    model = learnt(replace(shop, prints=prints), restarts=0)
    assert set(prints["print_id"][those]) <= set(model.set_aside_["print_id"])
    rest = small_shop().prints[(prints["ink_id"] == "C02") & ~those].reset_index(drop=True)
    unclear = Unseen("lot", "contradict", "C02\x1fC02-L04")
    assert all(unclear in one for one in model.unseen(prints[those].reset_index(drop=True)))
    usual = small_model().predict_lab(rest).mean
    assert np.median(delta_e00(model.predict_lab(rest).mean, usual)) < 0.3

    late = small_shop().prints[prints["ink_lot"] == "C24-L02"].reset_index(drop=True)
    late = late.assign(
        ink_id="C02",
        ink_lot="C02-L99",
        print_id=[f"LATE{i}" for i in range(len(late))],
        job_id=[f"LATE{i}" for i in range(len(late))],
    )
    both = pd.concat([small_shop().prints, late], ignore_index=True)
    grown = deepcopy(small_model()).append(replace(small_shop(), prints=both))
    assert set(late["print_id"]) <= set(grown.set_aside_["print_id"])
    assert np.median(delta_e00(grown.predict_lab(rest).mean, usual)) < 0.05
    assert unclear._replace(level="C02\x1fC02-L99") in grown.unseen(late)[0]


@pytest.mark.parametrize("tails", [6, 10, 200])
def test_a_gross_error_lies_beyond_the_tail_the_prints_have(tails):
    """Student t residuals: hardly a good print is lost, and slips are found."""
    rng = np.random.default_rng(5)
    one = rng.chisquare(tails, 4000) / tails
    squared = (rng.normal(size=(4000, 3)) ** 2).sum(axis=1) / one
    slips = np.full(60, 1500.0)
    least = gross_distance(np.concatenate([squared, slips]))
    assert GROSS_DISTANCE <= least < 1500
    assert (squared >= least).mean() < 1e-3
    assert (least > 2 * GROSS_DISTANCE) == (tails < 100)


def test_doubtful_prints_of_one_garment_are_news_and_a_swapped_job_is_not():
    n = 40
    X = pd.DataFrame(
        {
            "laid_on": ["G1"] * 10 + ["G2"] * 30,
            "press": ["P1", "P2"] * 20,
            "day": np.arange(n) / 10,
            "job": [f"J{i // 2}" for i in range(n)],
        }
    )
    doubtful = np.zeros(n, bool)
    doubtful[[1, 4, 7]] = True  # three of ten prints on G1, three jobs
    doubtful[[20, 21, 22]] = True  # three of thirty on G2
    assert shared(doubtful, X).nonzero()[0].tolist() == [1, 4, 7]
    swapped = np.zeros(n, bool)
    swapped[:4] = True
    one_job = X.assign(job=["J0"] * 4 + [f"K{i}" for i in range(n - 4)])
    assert not shared(swapped, one_job).any()


def test_prints_of_an_ink_on_one_garment_off_the_same_way_are_news():
    ink, laid_on = ["C1"] * 8 + ["C2"] * 4, ["G1"] * 4 + ["G2"] * 8
    X = pd.DataFrame({"ink": ink, "laid_on": laid_on, "job": [f"J{i // 2}" for i in range(12)]})
    error = np.zeros((12, 3))
    error[[0, 1, 3]] = [0.2, -0.6, -1.7], [0.7, -1.1, -2.6], [0.8, -1.5, -3.2]  # of two jobs
    error[[4, 5, 6]] = [20.0, 5, 9], [-30.0, 2, 1], [3.0, -15, 8]  # slips, each its own way
    error[[8, 9, 11]] = [0.7, -1.1, -2.6], [0.8, -1.5, -3.2], [0.8, 1.5, 3.2]  # two of one job
    far = error.any(axis=1)
    doubtful = far.copy()
    doubtful[0] = False  # off, if not by far enough for a slip
    assert one_way(doubtful, far, error, X).nonzero()[0].tolist() == [1, 3]
