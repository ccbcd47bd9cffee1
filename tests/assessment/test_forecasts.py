"""Forecasts that are honest, and candidates compared."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from learn.assessment import forecasts


def simulated(jobs: int, seed: int, stated: float = 1.0, skill: float = 1.0) -> pd.DataFrame:
    """Two prints a job, forecast with a standard deviation of ``stated`` times the true one."""
    rng = np.random.default_rng(seed)
    n = 2 * jobs
    job = np.repeat(np.arange(jobs), 2)
    shared, own = rng.standard_normal((jobs, 3))[job], rng.standard_normal((n, 3))
    lab = np.array([50.0, 20.0, 10.0]) + skill * np.sqrt(0.5) * (shared + own)
    prints = pd.DataFrame({"print_id": [f"P{i}" for i in range(n)], "job_id": job.astype(str)})
    mean = np.tile([50.0, 20.0, 10.0], (n, 1))
    return forecasts.scored(prints, lab, mean, np.tile(stated**2 * np.eye(3), (n, 1, 1)))


def test_forecasts_that_are_honest_are_left_alone_and_others_are_not():
    many = forecasts.honesty(simulated(400, 0))
    assert many.energy == pytest.approx(1, abs=0.06)
    # E|X - X'| / 2 of a standard normal in three dimensions is 2 / sqrt(pi) (Maxwell distribution)
    assert simulated(1, 0)["expected"].mean() == pytest.approx(2 / np.sqrt(np.pi), rel=0.07)
    called = [forecasts.honesty(simulated(15, seed)).moved for seed in range(60)]
    assert sum(why is not None for why in called) <= 5
    assert "the 90 % bands held" in forecasts.honesty(simulated(30, 1, stated=0.5)).moved
    assert forecasts.honesty(simulated(30, 1, stated=2.0)).moved
    assert forecasts.honesty(simulated(4, 1, stated=0.5)).moved is None  # too few to tell


def test_a_candidate_is_refused_only_where_jobs_agree_that_it_is_worse():
    one, other = simulated(200, 1), simulated(200, 2)
    paired = forecasts.compare(one, other)
    # nearly a ratio to a constant here, so a paired t-test must say the same
    sums = [f.groupby("job", sort=True)["energy"].sum().to_numpy() for f in (one, other)]
    t = stats.ttest_rel(*sums).confidence_interval(0.9)
    assert paired.lo == pytest.approx(t.low / sums[1].mean(), abs=0.02)
    assert paired.hi == pytest.approx(t.high / sums[1].mean(), abs=0.02)
    assert forecasts.compare(one, other) == paired
    refused = [forecasts.compare(simulated(6, s), simulated(6, 999 + s)).worse for s in range(60)]
    assert np.mean(refused) < 0.15
    assert forecasts.compare(simulated(30, 3, skill=1.5), simulated(30, 3)).worse
    assert not forecasts.compare(simulated(30, 3), simulated(30, 3, skill=1.5)).worse
    assert forecasts.compare(simulated(4, 3), simulated(4, 4)) is None
