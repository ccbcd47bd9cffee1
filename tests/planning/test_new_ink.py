"""Which prints describe an ink."""

from __future__ import annotations

from copy import copy
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from learn.colour.difference import local_metric
from learn.planning.new_ink import errors_after, plan_ink
from learn.predict.garments import UNDERBASE
from learn.predict.model import ShiftModel
from pipelines.words.new_ink import ink_block
from tests.small_demo import small_model, small_shop


@pytest.fixture(scope="module")
def new_ink():
    return plan_ink(small_model(), "C08", small_shop().prints, most=4)


def appended(prints: pd.DataFrame) -> ShiftModel:
    """The small model after it has learnt ``prints``, each read as it is predicted."""
    model = ShiftModel.from_state(*small_model().to_state())
    lab = pd.DataFrame(model.predict_lab(prints).mean, columns=list("Lab"))
    prints = prints.reset_index(drop=True).assign(**lab)
    prints["print_id"] = [f"T{i}" for i in range(len(prints))]
    shop = small_shop()
    return model.append(replace(shop, prints=pd.concat([shop.prints, prints], ignore_index=True)))


def rms_dE00(covariance, mean):
    return np.sqrt(np.einsum("nij,nij->n", local_metric(mean), covariance)).mean()


def test_the_first_print_leaves_usual_set_ups_least_unsure_of_all_once_learnt(new_ink):
    # Against the model that has really learnt the print, not against the update that chose it.
    first, usual = new_ink.prints.iloc[[0]], new_ink.usual.assign(ink_lot="at hand")
    on = ["substrate_id", "mesh_id", "strokes", "flash_count", *UNDERBASE]
    others = [first.assign(**row[on]) for _, row in usual.iloc[::5].iterrows()]

    def left(one: pd.DataFrame) -> float:
        day = usual["printed_on"].max()
        after = appended(one.assign(job_id="T", ink_lot="at hand", printed_on=day))
        predicted = after.predict_lab(usual)
        return rms_dE00(predicted.covariance, predicted.mean)

    best, *rest = [left(one) for one in [first, *others]]
    assert best <= 1.01 * min(rest)  # tangents move a little with what is learnt
    assert max(rest) > 1.05 * best  # the choice matters


def test_what_is_printed_of_the_lot_that_is_open_is_counted(new_ink):
    one = new_ink.prints.iloc[[0]].assign(
        job_id="T", ink_lot="L1", printed_on=new_ink.usual["printed_on"].max()
    )
    prints = small_shop().prints
    known = pd.concat([prints, one.assign(print_id="T0")], ignore_index=True)
    of_lot = plan_ink(appended(one), "C08", known, most=1)
    assert of_lot.printed == 1
    of_another = plan_ink(appended(one), "C08", prints, most=1)
    assert of_lot.before.within_dE00 < of_another.before.within_dE00
    first = new_ink.prints["within_dE00"].iloc[0]  # as it was said beforehand
    assert abs(of_lot.before.within_dE00 - first) < 0.1 * first


def test_the_same_print_again_tells_less_than_another(new_ink):
    rows = pd.concat([new_ink.prints.iloc[[0, 0, 1]], new_ink.usual], ignore_index=True)
    rows = rows.assign(ink_lot="at hand", printed_on=new_ink.usual["printed_on"].max())
    usual = np.arange(3, len(rows))
    screen = np.r_[0, 0, 1, np.full(len(usual), -1)]  # once more through the same screen
    apart = np.r_[0, 2, 1, np.full(len(usual), -1)]
    left = []
    for job in (screen, apart):
        known = small_model().between(rows, job)
        known = known.after(0, known.mean[0])
        tests, metric = np.array([1, 2]), local_metric(known.mean[usual])
        left.append(errors_after(known, tests, usual, metric, np.ones(len(usual))))
        after = known.after(2, known.mean[2])
        own = after.unknown[usual, :, usual, :] + after.scatter[usual]
        assert_allclose(left[-1][1], rms_dE00(own, known.mean[usual]), rtol=1e-9)
    assert left[0][1] < left[0][0]
    assert left[1][0] < left[0][0]  # one screen errs in common: pulled anew it tells more


def test_an_ink_plan_says_when_to_stop(new_ink):
    within = np.r_[new_ink.before.within_dE00, new_ink.prints["within_dE00"]]
    assert (np.diff(within) < 0).all()
    assert 1 <= new_ink.enough <= 4
    gain, worth_it = -np.diff(within), 0.025 * small_shop().settings.tolerance_dE00
    assert (gain[: new_ink.enough] >= worth_it).all()
    assert new_ink.enough == 4 or new_ink.next_gain < worth_it  # by itself, judged as before
    often = plan_ink(small_model(), "C10", small_shop().prints, most=1)
    assert often.printed > 10
    assert often.before.within_dE00 < new_ink.before.within_dE00
    limited = plan_ink(
        small_model(), "C08", small_shop().prints, garments=["G02"], meshes=["M120-34"], most=2
    )
    assert set(limited.prints["substrate_id"]) == {"G02"}
    assert set(limited.prints["mesh_id"]) == {"M120-34"}
    assert limited.prints["within_dE00"].iloc[0] >= new_ink.prints["within_dE00"].iloc[0]


def test_an_ink_is_not_pulled_over_a_base_of_a_type_its_own_was_never_printed_over():
    model = copy(small_model())
    types = model.encoder_.inks["ink_type"].where(model.encoder_.inks.index != "C08", "silicone")
    model.encoder_ = replace(model.encoder_, inks=model.encoder_.inks.assign(ink_type=types))
    told = plan_ink(model, "C08", small_shop().prints, most=2)
    assert told.prints["underbase_ink_id"].isna().all()
    assert told.usual["underbase_ink_id"].isna().all()
    based = small_shop().prints.dropna(subset=["underbase_ink_id"])
    told = plan_ink(model, "C08", based, most=1)
    assert told.prints["underbase_ink_id"].isna().all(), "the shop prints nothing bare"


def test_a_first_print_narrows_also_where_new_inks_proved_surer_than_told():
    model = copy(small_model())
    model.spread_factors_ = model.spread_factors_ | {"ink": 0.5}
    told = plan_ink(model, "C08", small_shop().prints, most=3)
    assert told.prints["within_dE00"].iloc[0] < told.before.within_dE00
    assert told.enough >= 1
    assert "judged more carefully" not in ink_block(told, {}, {})
    wider = replace(told, before=told.before._replace(within_dE00=0.1))
    assert "judged more carefully" in ink_block(wider, {}, {})


def test_a_shop_without_prints_is_told_how_to_begin():
    with pytest.raises(ValueError, match="white and a black garment"):
        plan_ink(small_model(), "C08", small_shop().prints.iloc[:0])
