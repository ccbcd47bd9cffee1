"""Prints of one lot that are off alike are news; one that is off by itself is not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from learn.monitoring.agreeing import AGREEING, agreeing
from learn.monitoring.inspection import inspect_arrivals, limit
from learn.shop import UNDERBASE
from tests.commands.test_lots import STRONGER, batch
from tests.small_demo import small_model, small_shop


def drawn(seed: int, n: int = 7) -> np.ndarray:
    """A covariance (n, 3, n, 3) of prints that have much in common."""
    rng = np.random.default_rng(seed)
    common = np.tile(rng.normal(size=(3, 2)), (n, 1))
    total = 4 * common @ common.T + np.diag(rng.uniform(0.1, 0.3, 3 * n))
    return total.reshape(n, 3, n, 3)


@pytest.mark.parametrize("seed", range(5))
def test_each_that_is_left_lies_where_the_others_left_say(seed):
    """By the normal conditional, worked out print by print."""
    rng = np.random.default_rng(100 + seed)
    total = drawn(seed)
    n = len(total)
    off = np.linalg.cholesky(total.reshape(3 * n, -1)) @ rng.normal(size=3 * n)
    off = off.reshape(n, 3)
    off[2] += [6.0, -6.0, 6.0]
    doubtful = np.ones(n, bool)
    left = agreeing(total, off, doubtful, limit())
    assert not left[2]
    assert left.sum() >= n - 2

    def away(i: int, others: np.ndarray) -> float:
        there = total[np.ix_(others, range(3), others, range(3))].reshape(3 * len(others), -1)
        by = np.linalg.solve(there, total[others][:, :, i].reshape(-1, 3)).T
        rest = off[i] - by @ off[others].ravel()
        own = total[i, :, i, :] - by @ total[others][:, :, i].reshape(-1, 3)
        return float(rest @ np.linalg.solve(own, rest))

    kept = np.flatnonzero(left)
    assert all(away(i, kept[kept != i]) <= limit() ** 2 for i in kept)
    assert away(2, kept) > limit() ** 2


def test_those_not_in_doubt_are_never_left_out():
    total, off = drawn(1), np.zeros((7, 3))
    off[3] = 9.0
    doubtful = np.zeros(7, bool)
    assert agreeing(total, off, doubtful, limit()).all()


def arrived(prints: pd.DataFrame) -> np.ndarray:
    """Which are doubtful to the small model."""
    lab = prints[["L", "a", "b"]].to_numpy(float)
    bases = small_shop().prints[UNDERBASE].dropna().drop_duplicates().head(2)
    typed = np.ones(len(prints), bool)
    return inspect_arrivals(small_model(), prints, lab, typed=typed, bases=bases).doubtful


def test_a_strong_lot_is_news_and_a_spoilt_print_of_it_is_not():
    strong = batch("X1", STRONGER, 6)
    assert arrived(batch("X1", 2 * STRONGER, 1)).all()  # nobody bears it out
    assert not arrived(strong).any()
    spoilt = strong.copy()
    spoilt.loc[2, ["L", "a", "b"]] += [9.0, 12.0, -6.0]
    assert arrived(spoilt).tolist() == [False, False, True, False, False, False]


def test_two_alike_may_be_one_slip_made_twice():
    """However many others of the press are as expected."""
    strong = batch("X1", 1.2 * STRONGER, AGREEING - 1)
    assert arrived(strong).all()
    usual = batch("C19-L05", 0.0, 12)
    among = pd.concat([strong, usual], ignore_index=True).assign(
        press_id="P1", job_id=[f"J{i}" for i in range(AGREEING + 11)]
    )
    found = arrived(among)
    assert found[: AGREEING - 1].all()
    assert not found[AGREEING - 1 :].any()
