"""Jobs of several colours: chances over common errors, and one verdict a job."""

from __future__ import annotations

from dataclasses import replace

import colour
import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_t, t

from learn.normal import BELIEVED, TAILS, Z90
from learn.predict.causes import Cause, Verdict
from learn.predict.jobs import WORST_FIRST, chance_of_all, judge_jobs
from learn.predict.verdict import ask_for_test, chance_needed
from tests.predict.test_protocol import plain_engine
from tests.small_demo import small_model, small_shop

AIM = ["target_L", "target_a", "target_b"]
LAB = np.array([[45.0, 60.0, 30.0], [60.0, -40.0, 20.0], [30.0, 15.0, -45.0]])


def block(m: int, shared: np.ndarray) -> np.ndarray:
    """Covariance of m prints with the error ``shared`` (3, 3) all in common."""
    return np.kron(np.ones((m, m)), shared)


def test_one_error_for_all_leaves_the_least_of_the_chances():
    """An exact limit: the same colour with one common error and three tolerances."""
    lab, shared = np.tile(LAB[:1], (3, 1)), np.diag([1.0, 1.4, 0.8])
    tolerance = np.array([1.6, 0.8, 1.1])
    each = [chance_of_all(lab[:1], shared, lab[:1] + 0.3, [t]) for t in tolerance]
    assert 0.2 < min(each) < 0.9
    together = chance_of_all(lab, block(3, shared), lab + 0.3, tolerance)
    assert together == pytest.approx(min(each), abs=0.03)


def test_independent_errors_multiply():
    """The other exact limit."""
    own = np.diag([1.1, 1.3, 0.7])
    aim, tolerance = LAB + np.array([0.4, -0.3, 0.5]), np.array([1.4, 1.1, 1.3])
    each = [chance_of_all(LAB[[i]], own, aim[[i]], tolerance[[i]], steady=True) for i in range(3)]
    total = chance_of_all(LAB, np.kron(np.eye(3), own), aim, tolerance, steady=True)
    assert 0.1 < total < min(each) - 0.1
    assert total == pytest.approx(np.prod(each), abs=0.03)


def test_against_brute_force():
    """200 000 draws by numpy's and scipy's own samplers, CIEDE2000 of colour-science."""
    rng = np.random.default_rng(5)
    half = rng.normal(0, 0.5, (9, 4))
    covariance = half @ half.T + 0.1 * np.eye(9)
    aim, tolerance = LAB + rng.normal(0, 0.5, (3, 3)), np.array([1.5, 2.0, 1.2])
    stretch = BELIEVED * Z90 / t(TAILS).ppf(0.95)
    tailed = multivariate_t(LAB.ravel(), stretch**2 * covariance, df=TAILS, seed=1)
    for prints, steady in (
        (rng.multivariate_normal(LAB.ravel(), covariance, 200_000), True),
        (tailed.rvs(200_000), False),
    ):
        prints = prints.reshape(-1, 3, 3)
        inside = colour.delta_E(prints, np.broadcast_to(aim, prints.shape)) <= tolerance
        brute = inside.all(axis=1).mean()
        assert 0.2 < brute < 0.9
        p = chance_of_all(LAB, covariance, aim, tolerance, steady=steady)
        assert p == pytest.approx(brute, abs=0.025)


@pytest.fixture(params=[small_model, plain_engine], ids=["ShiftModel", "plain"])
def model(request):
    return request.param()


def jobs_of(model, off: float, size: int = 3, tolerance: float = 2.5) -> pd.DataFrame:
    """Set-ups of the history to be printed again as jobs of ``size`` colours; targets ``off``."""
    rows = small_shop().prints.iloc[::7].head(24).reset_index(drop=True)
    rows = rows.assign(setup_id=[f"S{i}" for i in range(len(rows))])
    rows = rows.assign(job_id=[f"J{i // size}" for i in range(len(rows))])
    rows[AIM] = model.means(rows) + np.array([off, 0.0, 0.0])
    return rows.assign(tolerance_dE00=tolerance)


def test_a_job_is_never_better_than_any_of_its_colours(model):
    setups = pd.concat([jobs_of(model, off) for off in (0.0, 1.2, 2.2)], ignore_index=True)
    setups["job_id"] += [f"-{i // 24}" for i in range(len(setups))]
    rng = np.random.default_rng(1)
    setups[AIM] += np.where(rng.random(len(setups)) < 0.1, 9.0, 0.0)[:, None]
    setups.loc[rng.random(len(setups)) < 0.1, AIM] = np.nan
    found = model.predict(setups)
    jobs = judge_jobs(model, setups, found)
    assert sorted(i for rows in jobs["rows"] for i in rows) == list(range(len(setups)))
    seen = set()
    for job in jobs.to_dict("records"):
        own = found.iloc[list(job["rows"])]
        kinds = set(own["cause"])
        seen |= kinds
        goes = job["verdict"] == Verdict.GO
        if kinds != {Cause.SURE}:
            assert not goes
            assert job["cause"] == min(kinds, key=WORST_FIRST.index)
            assert found["cause"].iloc[job["held_by"]] == job["cause"]
        else:
            assert goes == (not ask_for_test(np.array([job["p_all"]]), model.settings_)[0])
            assert (job["held_by"] == -1) == goes
        if not own["aimed"].all():
            assert np.isnan(job["p_all"]) and not goes
            continue
        assert job["p_all"] <= own["p_in_tolerance"].min()
        assert job["p_all"] >= own["p_in_tolerance"].prod() - 0.04
    assert {Cause.SURE, Cause.NO_TARGET, Cause.MISSES} <= seen


def test_colours_that_go_one_by_one_may_not_go_together():
    model = small_model()
    setups = jobs_of(model, 0.0, size=6, tolerance=2.0)
    found = model.predict(setups)
    # a confidence that each colour just meets, so that all of a job together cannot
    strict = replace(model.settings_, cost_test_print=None, cost_spoiled_print=None)
    one = setups.iloc[:6]
    least = float(found["p_in_tolerance"].iloc[:6].min())
    told = model.told_of(small_shop())
    told.settings_ = replace(strict, confidence=least)
    found = told.predict(one)
    assert (found["verdict"] == Verdict.GO).all()
    job = judge_jobs(told, one, found).iloc[0]
    assert job["p_all"] < chance_needed(told.settings_)
    assert job["alone"] and job["verdict"] != Verdict.GO
    assert job["held_by"] == int(found["p_in_tolerance"].argmin())


def test_setups_without_a_job_are_jobs_of_their_own(model):
    setups = jobs_of(model, 0.5).assign(job_id=None)
    found = model.predict(setups)
    jobs = judge_jobs(model, setups, found)
    assert jobs["cause"].tolist() == found["cause"].tolist()
    np.testing.assert_array_equal(jobs["p_all"], found["p_in_tolerance"])


def test_colours_of_one_job_share_what_its_press_does():
    """The same set-up twice in a job errs together, but for scatter: far from independent."""
    model = small_model()
    setups = jobs_of(model, 1.0).iloc[[0, 0]].assign(setup_id=["a", "b"], tolerance_dE00=1.2)
    found = model.predict(setups)
    p = found["p_in_tolerance"].to_numpy()
    p_all = judge_jobs(model, setups, found)["p_all"].iloc[0]
    assert 0.1 < p[0] < 0.95
    assert p_all > p[0] * p[1] + 0.15 * (p[0] - p[0] * p[1])
