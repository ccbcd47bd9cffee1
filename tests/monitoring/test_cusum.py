"""Drift: charts against published run lengths, planted changes found, and the status screen."""

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
from learn.monitoring.cusum import SHIFT, cusum, drifts, first_alarm, run_length, threshold
from learn.monitoring.innovations import Stream, one_step_ahead
from learn.monitoring.status import glance
from learn.predict.model import ShiftModel
from pipelines.cli import main
from pipelines.registry import promotion, versions
from pipelines.words.status import REMEDIES, drift_lines, drift_sentence
from tests.small_demo import small_model, small_shop
from tests.tiny_shop import write_shop


@pytest.mark.parametrize(("h", "published"), [(4.0, 168.0), (5.0, 465.0)])
def test_run_length_is_the_published_one(h, published):
    """Two-sided CUSUM with k = 1/2: 168 at h = 4 and 465 at h = 5 (Montgomery, Introduction to
    Statistical Quality Control, CUSUM chapter, after Lucas & Crosier 1982; from memory)."""
    assert run_length(0.5, h) / 2 == pytest.approx(published, rel=0.02)


def test_chart_has_the_published_run_length():
    """The chart itself, on standard normal values: k = 1/2 is a shift of one sd. Clipping at
    three sd must make it no shorter; 465 as above."""
    rng = np.random.default_rng(0)
    n, runs, h = 600, 1500, 5.0
    sd = np.full(n, SHIFT)
    over = [(cusum(SHIFT * rng.standard_normal(n), sd) > h).any(axis=1) for _ in range(runs)]
    survived = 1 - np.mean([o.any() for o in over])
    assert n / -np.log(survived) == pytest.approx(465, rel=0.15)


def test_false_alarms_come_at_the_stated_rate():
    """Prints that tell more and prints that tell less of their film, no drift at all."""
    rng = np.random.default_rng(1)
    n, runs, stated = 2000, 300, 0.5  # alarms a run
    alarms = 0
    for _ in range(runs):
        sd = np.exp(rng.uniform(np.log(0.04), np.log(0.25), n))
        chart = cusum(sd * rng.standard_normal(n), sd)
        alarms += int((chart > threshold(SHIFT / sd, stated)).any())
    expected = 1 - np.exp(-stated)
    assert alarms / runs == pytest.approx(expected, abs=3 * (expected / runs) ** 0.5)


def frame_of(seed: int, n: int = 900) -> pd.DataFrame:
    """A steady shop's film errors: four prints every three days."""
    rng = np.random.default_rng(seed)
    sd = np.exp(rng.uniform(np.log(0.04), np.log(0.2), n))
    return pd.DataFrame(
        {
            "date": pd.Timestamp("2024-01-08") + pd.to_timedelta(np.arange(n) * 3 // 4, "D"),
            "press": rng.choice(["P1", "P2", "P3"], n),
            "lot": (np.arange(n) // 60).astype(str),
            "mesh": rng.choice(["61-64", "77-55", None], n),
            "film_error": sd * rng.standard_normal(n),
            "film_sd": sd,
        }
    )


def test_steady_shops_raise_no_alarm():
    found = [len(drifts(frame_of(seed))) for seed in range(25)]  # 4.5 expected at most
    assert sum(found) <= 9


@pytest.mark.parametrize("kind", ["step", "ramp"])
def test_planted_drift_is_found_with_its_size_and_day(kind):
    """Bands hold, over many shops: 90 % nominal, given that it was found."""
    start = pd.Timestamp("2025-03-01")
    held = []
    for seed in range(12):
        frame = frame_of(100 + seed)
        since = (frame["date"] - start).dt.days.clip(lower=0)
        size = 0.10 * (since > 0 if kind == "step" else since / since.max())
        frame["film_error"] += np.where(frame["press"] == "P2", size, 0.0)
        found = drifts(frame)
        first = found.iloc[0]
        assert (first["cause"], first["level"]) == ("press", "P2")
        if kind == "step":
            assert first["since_lo"] - pd.Timedelta(days=40) < start
            assert start < first["since_hi"] + pd.Timedelta(days=40)
        held.append(first["lo"] <= 100 * np.expm1(0.10) <= first["hi"])
    assert np.mean(held) >= 0.75  # 9 of 12: fewer 2.6 % of the time (scipy.stats.binom)


def test_one_bad_print_and_what_has_come_back_are_no_drift():
    frame = frame_of(7)
    frame.loc[500, "film_error"] = 2.0
    assert not len(drifts(frame))
    chart = np.array([[0, 0], [9, 0], [3, 0], [0, 0], [1, 0.0]])
    assert first_alarm(chart, 8.0) is None
    assert first_alarm(chart[:3], 8.0) == 1


def test_a_press_put_right_is_told_no_longer():
    """15 % more for five months, then as before for seven: some 100 of its prints. Of two such
    shifts the one that lasts is told."""
    told = again = 0
    for seed in range(12):
        frame = frame_of(300 + seed)
        day = (frame["date"] - frame["date"].min()).dt.days
        wrong = (frame["press"] == "P2") & day.between(300, 450)
        frame["film_error"] += np.where(wrong, 0.15, 0.0)
        before = drifts(frame[day < 450])
        assert before["level"].iloc[0] == "P2"
        told += int((drifts(frame)["cause"] == "press").any())
        frame["film_error"] += np.where((frame["press"] == "P2") & (day > 570), 0.10, 0.0)
        found = drifts(frame)
        again += int(((found["level"] == "P2") & (found["lo"] > 0)).any())
    assert told <= 1
    assert again >= 11


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
    lab[hit] += np.log1p(percent / 100) * (linear.vectors[hit, DIRECTIONS.index("both_films")])
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


def test_drift_in_words():
    row = {"cause": "press", "level": "P2", "percent": 9.2, "lo": 5.1, "hi": 13.2,
           "false_alarms": 0.2}  # fmt: skip
    row |= dict.fromkeys(("since", "since_lo", "since_hi"), pd.Timestamp("2025-05-03"))
    assert drift_sentence(row) == (
        "Press P2 lays 9 % more ink since 3 May 2025 (90 % band 5 to 13 %)."
    )
    row |= {"cause": "mesh", "level": "77-55", "percent": -9.2, "lo": -13.2, "hi": -5.1}
    assert "Mesh 77-55 lays 9 % less ink since 3 May 2025 (90 % band 5 to 13 %)" in drift_sentence(
        row
    )
    assert "0.2 in 1,000 prints" in next(drift_lines(pd.DataFrame([row])))
    assert "none seen" in next(drift_lines(pd.DataFrame([row]).head(0)))
    assert set(drift.KINDS) == set(REMEDIES)


def test_a_glance_at_the_small_shop():
    model = ShiftModel.from_state(*small_model().to_state())
    whole = small_shop()
    learnt = list(model.marks_["prints"].items())
    model.marks_ = model.marks_ | {"prints": dict(learnt[:-12])}
    seen = glance(model, whole)
    assert seen.news.n == 12
    assert seen.news.unknown == 0
    assert seen.news.median_dE00 < 2
    never = seen.limits[(seen.limits["factor"] == "ink") & (seen.limits["n"] == 0)]
    assert "C08" in set(never["level"])
    assert seen.drift is not None


def test_status_screen(tmp_path, monkeypatch, capsys):
    write_shop(tmp_path / "tables")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    assert main(["import", "tables", "--shop", "tiny"]) == 0
    capsys.readouterr()
    assert main(["status"]) == 0
    said = capsys.readouterr().out
    assert "Shop tiny: " in said
    assert "Last batch: 1, import" in said
    assert "none yet; strikeoff learn" in said
    versions.save(tmp_path / "models" / "tiny", {}, {}, {"validation": {}})
    assert main(["status"]) == 0
    assert "cannot be read by this version: strikeoff learn makes" in capsys.readouterr().out
    arrays, meta = small_model().to_state()
    facts = {"validation": small_model().validation_, "set_aside": [], "rows": {}}
    versions.save(tmp_path / "models" / "tiny", arrays, meta, facts)
    given = small_shop()
    model = ShiftModel.from_state(arrays, meta)
    charge = promotion.Charge(model, "0002", "0002", {})
    monkeypatch.setattr(promotion, "opened", lambda *_: charge)
    monkeypatch.setattr("pipelines.tables.folder.to_shop", lambda _: given)
    assert main(["status"]) == 0
    said = capsys.readouterr().out
    assert "Model 0002 in charge" in said
    assert "Drift" in said
    assert "What to print or measure next:" in said
    assert "nan" not in said
    assert len(said.splitlines()) <= 40
    assert max(map(len, said.splitlines())) <= 100
