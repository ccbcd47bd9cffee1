"""Film errors, print by print."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from learn.fit.linearisation import DIRECTIONS
from learn.gp import posterior
from learn.gp.covariance import one_by_one
from learn.monitoring import cusum as drift
from learn.monitoring.cusum import drifts
from learn.monitoring.innovations import Stream, one_step_ahead
from tests.small_demo import small_model


@cache
def stream(percent: float) -> Stream:
    """The small demo shop without its drifting press, and its colours as if P1 laid more film
    over the last third of its time; the model has not seen that."""
    model = small_model()
    kept = model.keep_ & (model.prints_["press_id"] != "P2").to_numpy()
    prints, lab = model.prints_[kept].reset_index(drop=True), model.lab_[kept].copy()
    linear, _ = model.linearised(prints, lab)
    day = linear.rows.X["day"].to_numpy()
    hit = (prints["press_id"] == "P1").to_numpy() & (day > 0.67 * np.nanmax(day))
    lab[hit] += np.log1p(percent / 100) * linear.vectors[hit, DIRECTIONS.index("both_films")]
    return one_step_ahead(model, prints, lab)


def test_forecast_errors_are_those_of_forecasts_made_one_by_one():
    """The Cholesky root against the posterior of the prints before, print by print."""
    model = small_model()
    prints = model.prints_[model.keep_].head(40).reset_index(drop=True)
    _, design = model.linearised(prints, model.lab_[model.keep_][:40])
    design = replace(design, job=np.arange(40))  # else prints of a job share more than weights
    hyper = replace(model.hyper_, job=np.full_like(model.hyper_.job, -20.0))
    _, white = one_by_one(design, hyper, 0)
    _, late = one_by_one(design, hyper, 25)
    np.testing.assert_allclose(late, white[75:], atol=1e-5)  # learnt as a whole, or in turn
    for i in (3, 30):
        post = posterior.posterior(design.take(np.arange(i)), hyper)
        own = design.take(np.array([i]))
        mean, cov = posterior.predict(own.phi, post)
        cov = cov + posterior.noise_blocks(own, hyper)
        theirs = np.linalg.solve(np.linalg.cholesky(cov[0]), own.y[0] - mean[0])
        np.testing.assert_allclose(white[3 * i : 3 * i + 3], theirs, atol=1e-5)


def test_film_errors_of_a_model_are_standard_and_tell_a_planted_drift():
    steady = stream(0.0)
    z = steady.frame["film_error"] / steady.frame["film_sd"]
    assert 0.8 < z.std() < 1.25
    found = drifts(stream(20.0))
    first = found.iloc[0]
    assert (first["cause"], first["level"]) == ("press", "P1")
    assert first["lo"] < 20.0 < first["hi"]
    assert not (drifts(steady)["cause"] == "press").any()
    one_day = drift._shapes(steady, np.array([0]))  # cannot be over yet
    assert drift._change(one_day, steady.white).lasts


def test_prints_without_a_date_are_learnt_from_and_not_charted():
    model = small_model()
    dated = model.keep_ & model.prints_["printed_on"].notna().to_numpy()
    prints = model.prints_[dated].head(60).reset_index(drop=True)
    lab = model.lab_[dated][:60]
    prints.loc[5:9, ["printed_on", "job_id"]] = [pd.NaT, None]
    mixed = np.random.default_rng(0).permutation(60)
    frame = one_step_ahead(model, prints.iloc[mixed].reset_index(drop=True), lab[mixed]).frame
    assert len(frame) == 55
    assert frame["date"].is_monotonic_increasing
    assert np.isfinite(frame[["film_error", "film_sd"]]).all(axis=None)
    with pytest.raises(ValueError, match="no print has a date"):
        one_step_ahead(model, prints.assign(printed_on=pd.NaT), lab)
