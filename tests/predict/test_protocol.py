"""What a model promises is kept by two engines alike; everything above runs on either."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from learn.colour.colorimetry import delta_e00
from learn.monitoring.inspection import inspect_arrivals
from learn.planning.candidates import Limits
from learn.planning.new_ink import plan_ink
from learn.planning.next_test import rank_tests
from learn.planning.plan import plan, usual_setup
from learn.predict.garments import on_garments
from learn.predict.model import ShiftModel
from learn.predict.protocol import MixModel, PrintModel, RecallingModel
from learn.shop import UNDERBASE
from pipelines.cli import main
from tests.plain_engine import PlainEngine
from tests.small_demo import held_out, small_model, small_shop, small_workspace

GARMENTS = ["G01", "G02"]  # white and black cotton
TARGET = {"target_L": 33.0, "target_a": 52.0, "target_b": 26.0}


@cache
def plain_engine() -> PlainEngine:
    return PlainEngine().fit(small_shop())


@pytest.fixture(params=[small_model, plain_engine], ids=["ShiftModel", "plain"])
def model(request) -> PrintModel:
    return request.param()


@cache
def setups() -> pd.DataFrame:
    """A dozen prints of the history to be printed again, each as a job of its own."""
    rows = small_shop().prints.iloc[::16].head(12).reset_index(drop=True)
    return rows.assign(setup_id=[f"S{i}" for i in range(len(rows))], job_id=None)


def test_both_engines_are_what_the_rooms_above_are_written_for(model):
    assert isinstance(model, PrintModel)
    assert isinstance(small_model(), MixModel)
    assert isinstance(small_model(), RecallingModel)
    assert not isinstance(plain_engine(), RecallingModel)


def test_one_prediction_however_it_is_asked_for(model):
    alone, n = model.predict_lab(setups()), len(setups())
    assert alone.mean.shape == (n, 3)
    assert_allclose(model.means(setups()), alone.mean, atol=1e-6)
    one = model.predict_joint(setups(), 1)
    assert_allclose(one.mean[:, 0], alone.mean, atol=1e-6)
    assert_allclose(one.covariance, alone.covariance, atol=1e-6)
    known = model.between(setups()).widened(model.spread(setups()))
    assert_allclose(known.mean, alone.mean, atol=1e-6)
    assert_allclose(known.own() + known.scatter, alone.covariance, atol=1e-6)
    table = model.predict(setups())
    assert_allclose(table[["L", "a", "b"]], alone.mean, atol=1e-6)
    assert (table["setup_id"] == setups()["setup_id"]).all()


def test_what_set_ups_have_in_common_is_a_covariance(model):
    unknown = model.between(setups()).unknown.reshape(3 * len(setups()), -1)
    assert_allclose(unknown, unknown.T, atol=1e-9)
    assert np.linalg.eigvalsh(unknown).min() > -1e-6
    joint = model.predict_joint(on_garments(setups(), GARMENTS), 2).covariance
    assert np.linalg.eigvalsh(joint).min() > 0


def test_a_reading_moves_what_it_should_and_never_widens(model):
    known = model.between(setups())
    after = known.after(0, known.mean[0] + [3.0, 0.0, 0.0])
    assert after.mean[0, 0] > known.mean[0, 0]
    before, left = (np.trace(one.own(), axis1=1, axis2=2) for one in (known, after))
    assert (left <= before + 1e-9).all()
    assert left[0] < 0.9 * before[0]


def test_films_grounds_and_buckets(model):
    top, base = model.films_um(setups())
    based = setups()["underbase_ink_id"].notna().to_numpy()
    assert (top > 0).all()
    assert (base[based] > 0).all()
    assert (base[~based] == 0).all()
    white, black = model.grounds(setups().head(1).iloc[[0, 0]].assign(
        **dict.fromkeys(UNDERBASE), substrate_id=GARMENTS))  # fmt: skip
    assert white[0] > black[0] + 30
    lab, covariance = model.buckets(["C08", "C26", "C08"])
    assert_allclose(lab[0], lab[2])
    assert covariance.shape == (3, 3, 3)
    assert model.prints_of("C08") == 0 < model.prints_of("C10")


def test_an_ink_never_printed_is_less_sure_and_so_told(model):
    new, old = setups().assign(ink_id="C08", ink_lot=None), setups().assign(ink_id="C10")
    sure = [np.trace(model.predict_lab(one).covariance, axis1=1, axis2=2) for one in (new, old)]
    assert np.median(sure[0]) > 1.2 * np.median(sure[1])
    assert all("C08" in str(one) for one in model.unseen(new))
    assert not any("C10" in str(one) for one in model.unseen(old))
    # of an ink or a lot never printed, whose bands proved too wide, they may be narrower than usual
    usual = np.maximum(model.spread(new), model.spreads(old, [old])[0])
    assert (model.spreads(new, [new])[0] <= 1.1 * usual).all()


def test_what_several_prints_leave_is_told_in_one_go(model):
    """As one by one, also where a cell of one is empty that another of its job has filled."""
    asked = setups()
    new = asked.assign(ink_id="C08", ink_lot=None, job_id="J")
    new.loc[new.index[0], ["press_id", "squeegee_shore_a"]] = None
    afters = [new.iloc[[0]], new.iloc[[1]], new.iloc[:3], asked.iloc[[0]]]
    one_by_one = [model.spreads(asked, [after])[0] for after in afters]
    assert_allclose(model.spreads(asked, afters), one_by_one, rtol=1e-12)


def test_the_plain_engine_has_learnt_something():
    """Its errors on later prints are smaller than those of the physics it was told."""
    prints = held_out("later_period").reset_index(drop=True)
    truth = prints[["true_L", "true_a", "true_b"]].to_numpy(float)
    ours, physics = plain_engine().means(prints), plain_engine().physics_.means(prints)
    assert np.median(delta_e00(ours, truth)) < 0.9 * np.median(delta_e00(physics, truth))


def test_everything_above_runs_on_either(model):
    shop = small_shop()
    limits = Limits(inks=("C08", "C10", "C19"), meshes=("M43-80", "M77-55"), presses=("P1",))
    usual = usual_setup(shop.prints, GARMENTS)
    aim = list(TARGET.values())
    found = plan(model, aim, GARMENTS, limits=limits, usual=usual, tolerance=4.0)
    assert found.reached
    assert found.lines["p_all"].max() > 0.3
    jobs = setups().assign(**TARGET)
    assert sorted(rank_tests(model, jobs)["setup_id"]) == sorted(jobs["setup_id"])
    ink = plan_ink(model, "C08", shop.prints, most=2)
    assert ink.prints["within_dE00"].iloc[-1] < ink.before.within_dE00


def test_a_swapped_ink_is_doubted_by_either(model):
    prints = small_shop().prints.iloc[::25].head(20).reset_index(drop=True)
    lab = model.means(prints)
    red = prints["ink_id"] == "C10"
    prints.loc[red, "ink_id"] = "C19"  # written down as turquoise
    bases = small_shop().prints[UNDERBASE].dropna().drop_duplicates().head(2)
    typed = np.zeros(len(prints), bool)
    found = inspect_arrivals(model, prints, lab, typed=typed, bases=bases)
    assert red.any()
    assert (found.doubtful == red).all()
    assert all(found.slips[i].kind == "ink" for i in np.flatnonzero(red))


def test_the_command_line_runs_on_either(model, tmp_path, monkeypatch, capsys):
    """With the engine exchanged where a stored one is opened, and nowhere else."""
    monkeypatch.chdir(small_workspace(tmp_path))
    monkeypatch.setattr(ShiftModel, "from_state", lambda *_: model)
    screen = [
        "--garment",
        "G01",
        "--ink",
        "C10",
        "--mesh",
        "M77-55",
        "--strokes",
        "1",
        "--lot",
        "new",
    ]
    capsys.readouterr()
    assert main(["predict", *screen, "--flashes", "0", "--target", "33,52,26"]) == 0
    said = capsys.readouterr().out
    asked = {"substrate_id": "G01", "ink_id": "C10", "mesh_id": "M77-55", "strokes": 1.0}
    lightness = model.predict_lab(pd.DataFrame([asked | {"flash_count": 0.0}])).mean[0, 0]
    assert f"{lightness:.1f}" in said
    limits = ["--ink", "C10", "--mesh", "M77-55", "--base-ink", "none"]
    assert main(["plan", "--target", "33,52,26", "--garment", "G01", *limits]) == 0
    assert "By model 0001." in capsys.readouterr().out
