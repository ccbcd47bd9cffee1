"""The estimator and whole shops: what it learns, what it can do without, what it gives back.

Parts of the invented demo shop; colours it is held against are the noise-free ones.
"""

from dataclasses import replace
from unittest import mock

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import delta_e00
from learn.physics import ink_fit
from learn.physics.drawdowns import lab_columns
from learn.predict.calibration import nearest_past_print
from learn.predict.causes import Cause, Verdict
from learn.predict.model import ShiftModel
from learn.process import SETTING_COLUMNS
from tests.score import score
from tests.small_demo import (
    LAB,
    TINY_INKS,
    TRUE_LAB,
    demo,
    learnt,
    mean_sd,
    missed,
    next_prints,
    prints_of,
    restricted,
    rms_z,
    small_model,
    small_shop,
    tiny_model,
    tiny_shop,
)

# What a list of predictions holds, in this order.
COLUMNS = ["setup_id", *LAB, "L_sd", "a_sd", "b_sd", "bucket_L", "bucket_a", "bucket_b"]
COLUMNS += ["shift_dE00", "shift_lo", "shift_hi", "target_dE00", "target_lo", "target_hi"]
COLUMNS += ["p_in_tolerance", "verdict", "cause", "within_dE00", "tolerance_dE00"]
COLUMNS += ["aimed", "unseen", *(f"end{i}_{c}" for i in (1, 2) for c in "Lab"), "beneath"]
UNDRAWN_INKS = ["C06", "C10", "C15"]
PRESS_COLUMNS = {"press_id": None, "ink_lot": None, "job_id": None, "printed_on": pd.NaT} | (
    dict.fromkeys([*SETTING_COLUMNS, "readings"], np.nan)
)


def test_better_than_physics_alone_and_than_the_nearest_past_print():
    model, setups = small_model(), next_prints()
    truth = setups[TRUE_LAB].to_numpy(float)
    alone = learnt(small_shop(), terms=[], calibrate_inks=False)
    nearest = nearest_past_print(model.rows_.X, model.lab_[model.keep_], model.features(setups))
    ours = np.median(missed(model, setups))
    assert ours < 0.45
    assert ours < 0.7 * np.median(missed(alone, setups))
    assert ours < 0.4 * np.median(delta_e00(nearest, truth))
    found = model.validation_
    assert found["median_dE00"] < min(found["physics_median_dE00"], found["nearest_median_dE00"])


def test_predictions_have_the_columns_of_the_contract():
    setups = next_prints().drop(columns=[*LAB, *TRUE_LAB]).iloc[:12]
    setups = setups.assign(target_L=np.nan, target_a=np.nan, target_b=np.nan, tolerance_dE00=1.5)
    setups.loc[3, ["target_L", "target_a", "target_b"]] = [50.0, 0.0, 0.0]
    setups.index = range(100, 112)  # an index is no matter of the table's
    found = small_model().predict(setups)
    assert list(found.columns) == COLUMNS
    assert found["setup_id"].tolist() == setups["setup_id"].tolist()
    assert set(found["verdict"]) <= set(Verdict)
    assert found["p_in_tolerance"].between(0, 1).all()
    assert (found[["L_sd", "a_sd", "b_sd"]] > 0).all(axis=None)
    assert (found["shift_lo"] <= found["shift_dE00"]).all()
    assert (found["shift_dE00"] <= found["shift_hi"]).all()
    assert found["target_dE00"].notna().tolist() == [i == 3 for i in range(12)]
    aimed = ["target_dE00", "target_lo", "target_hi"]
    assert found.drop(columns=aimed).notna().all(axis=None)
    measured = small_model().shelf_.bucket_measured[0]  # C02's, in a filled well
    of_c02 = found[(setups["ink_id"] == "C02").to_numpy()]
    np.testing.assert_allclose(of_c02[["bucket_L", "bucket_a", "bucket_b"]] - measured, 0)


def test_rows_in_any_order_give_the_same_answers():
    setups = next_prints()
    order = np.random.default_rng(0).permutation(len(setups))
    straight, shuffled = (small_model().predict(rows) for rows in (setups, setups.iloc[order]))
    shuffled = shuffled.iloc[np.argsort(order)].reset_index(drop=True)
    pd.testing.assert_frame_equal(straight, shuffled, rtol=1e-9)
    alone = small_model().predict(setups.iloc[[7]])
    pd.testing.assert_frame_equal(alone, straight.iloc[[7]].reset_index(drop=True), rtol=1e-9)


def test_the_same_data_and_seed_give_the_same_answer():
    setups = next_prints(TINY_INKS)
    with mock.patch("learn.physics.shelf.fitted", ink_fit.fitted):  # nothing is remembered
        again = learnt(tiny_shop()).predict(setups)
    pd.testing.assert_frame_equal(again, tiny_model().predict(setups), check_exact=True)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("ink_id", "C99"),
        ("substrate_id", "no such shirt"),
        ("mesh_id", None),
        ("underbase_ink_id", "U9"),
        ("underbase_mesh_id", "M999"),
    ],
)
def test_an_id_of_no_table_is_named(column, value):
    setups = next_prints().iloc[:3].copy()
    setups.loc[1, column] = value
    with pytest.raises(ValueError, match=f"set-up 2: {column} '{value}'"):
        small_model().predict(setups)


def test_less_told_of_a_set_up_widens_its_bands():
    told = next_prints()
    untold = told.assign(**PRESS_COLUMNS)
    wide, narrow = (
        np.trace(small_model().predict_lab(rows).covariance, axis1=1, axis2=2)
        for rows in (untold, told)
    )
    assert (wide > 0.999 * narrow).mean() > 0.9
    assert wide.mean() > 1.2 * narrow.mean()


def test_a_history_without_press_columns():
    shop, setups = tiny_shop(), next_prints(TINY_INKS)
    bare = learnt(replace(shop, prints=shop.prints.assign(**PRESS_COLUMNS)))
    untold = setups.assign(**PRESS_COLUMNS)
    assert np.median(missed(bare, untold)) < 1.2
    assert mean_sd(bare, untold) > 1.1 * mean_sd(tiny_model(), setups)
    # told of presses and settings it has no record of, it answers as well
    assert np.median(missed(bare, setups)) < 1.5


def test_a_history_without_dates_and_of_one_press():
    known = {"printed_on": pd.NaT, "press_id": "P1"}
    shop, setups = tiny_shop(), next_prints(TINY_INKS).assign(**known)
    model = learnt(replace(shop, prints=shop.prints.assign(**known)))
    assert np.median(missed(model, setups)) < 1.0
    aimed = ["target_dE00", "target_lo", "target_hi"]
    assert model.predict(setups).drop(columns=aimed).notna().all(axis=None)


def test_a_shop_that_has_printed_nothing_yet():
    """Drawdowns and physics alone: near, and wide enough to say so."""
    shop, setups = tiny_shop(), next_prints(TINY_INKS)
    model = learnt(replace(shop, prints=shop.prints.iloc[:0]))
    found = model.predict(setups)
    assert list(found.columns) == COLUMNS
    assert np.median(missed(model, setups)) < 2.0
    p, measured = model.predict_lab(setups), setups[LAB].to_numpy(float)
    assert score(p.mean, p.covariance, measured).coverage90 > 0.9
    assert rms_z(p, measured) > 0.2, "nothing known of the press, and no wider than that"
    assert mean_sd(model, setups) > 2 * mean_sd(tiny_model(), setups)
    # white on a white base needs no history; a translucent ink always does
    go = (found["cause"] == Cause.NO_TARGET).to_numpy()  # it could go, were it what is wanted
    assert not go[setups["ink_id"].isin(["C02", "C19"])].any()
    assert go.any() and (missed(model, setups)[go] < 2.0).all()
    kept = ShiftModel.from_state(*model.to_state()).predict(setups)
    pd.testing.assert_frame_equal(kept, found, check_exact=True)


def test_a_shop_that_has_drawn_nothing_down():
    """Prints alone describe its inks; without prints either, nothing is claimed."""
    setups = next_prints(TINY_INKS)
    undrawn = replace(tiny_shop(), drawdowns=tiny_shop().drawdowns.iloc[:0])
    assert np.median(missed(learnt(undrawn), setups)) < 0.8
    blank = learnt(replace(undrawn, prints=undrawn.prints.iloc[:0]))
    assert mean_sd(blank, setups) > 15
    assert not (blank.predict(setups)["cause"] == Cause.NO_TARGET).any()


def test_five_prints_describe_an_ink_that_was_never_drawn_down():
    """Three such inks: about as near as drawdowns bring them, far from knowing nothing."""
    prints = [prints_of([ink, "U1"]).query("ink_id == @ink") for ink in UNDRAWN_INKS]
    five = [rows.iloc[np.linspace(0, len(rows) - 1, 5).astype(int)] for rows in prints]
    shop = restricted(demo(), pd.concat([tiny_shop().prints, *five]), [*TINY_INKS, *UNDRAWN_INKS])
    undrawn = shop.drawdowns["ink_id"].isin(UNDRAWN_INKS)
    model = learnt(replace(shop, drawdowns=shop.drawdowns[~undrawn]))
    inside, used = [], []
    for rows, seen in zip(prints, five, strict=True):
        rest = rows.drop(index=seen.index).rename(columns={"print_id": "setup_id"})
        measured = lab_columns(rest, model.viewing_)
        p = model.predict_lab(rest)
        assert np.median(delta_e00(p.mean, measured)) < 2.0
        inside.append(score(p.mean, p.covariance, measured).coverage90)
        used.append(rms_z(p, measured))
    assert np.mean(inside) > 0.75
    assert 0.75 < np.mean(used) < 1.4


def test_the_same_prints_teach_the_same_whoever_recorded_first():
    shop = tiny_shop()
    other = replace(shop, prints=shop.prints.sample(frac=1.0, random_state=3))
    setups = next_prints(TINY_INKS).head(5)
    first, second = (
        learnt(one, max_iterations=1, restarts=0).predict_lab(setups) for one in (shop, other)
    )
    np.testing.assert_array_equal(first.mean, second.mean)
    np.testing.assert_array_equal(first.covariance, second.covariance)
