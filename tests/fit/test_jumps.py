"""Presses that moved from one day on, told by their prints alone."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from learn.fit.eras import no_jumps, stretches_of
from learn.fit.jumps import BOTH
from learn.gp import posterior
from learn.gp.posterior import column_variance
from learn.monitoring.cusum import drifts
from learn.monitoring.innovations import one_step_ahead
from learn.physics.drawdowns import LAB, SPECTRUM, lab_columns
from learn.predict.model import ShiftModel
from learn.shop import Shop
from tests.small_demo import small_model, small_shop

FILM = -0.35  # log, of press P1 from some day on
LAST = 12  # of its prints


@cache
def moved(film: float = FILM) -> tuple[Shop, pd.Timestamp]:
    """The small shop, whose press laid so much more from some day on - its prints moved along the
    film by the tangents of a model that knows nothing of it - and that day."""
    shop, model = small_shop(), small_model()
    prints = model.encoder_.completed(shop.prints)
    own = (prints["press_id"] == "P1").to_numpy()
    day = prints["printed_on"][own].sort_values().iloc[-LAST]
    after = own & (prints["printed_on"] >= day).to_numpy()
    linear, _ = model.linearised(prints)
    lab = lab_columns(shop.prints, model.viewing_)
    lab[after] += film * linear.vectors[after, BOTH]
    told = dict(zip(LAB, lab.T, strict=True)) | dict.fromkeys(SPECTRUM, np.nan)
    return replace(shop, prints=shop.prints.assign(**told)), day


@cache
def learnt() -> ShiftModel:
    return ShiftModel(max_iterations=3).fit(moved()[0])


def test_stretches_begin_on_the_day_of_a_jump():
    era = pd.Series(["P1", "P2", "P2", "P2", None], dtype=object)
    day = np.array([9.0, 1.0, 2.0, np.nan, 5.0])
    assert stretches_of(era, day, no_jumps()).tolist() == era.tolist()
    jumps = pd.DataFrame({"era": ["P2", "P2"], "day": [3.0, 2.0]})
    first, second = "P2\x1f2.000000", "P2\x1f3.000000"
    assert stretches_of(era, day, jumps).tolist() == ["P1", "P2", first, second, None]


def test_a_press_that_lays_a_third_less_is_found_and_believed():
    shop, day = moved()
    model = learnt()
    assert model.encoder_.jumps["era"].tolist() == ["P1"], "and no other"
    found = model.encoder_.first_day + pd.Timedelta(days=60 * model.encoder_.jumps["day"].iloc[0])
    assert abs((found - day).days) <= 21
    [told] = model.moved_presses()
    assert (told.press, told.since) == ("P1", found.round("D"))
    assert told.percent == pytest.approx(100 * np.expm1(FILM), abs=8)
    assert told.lo < 100 * np.expm1(FILM) < told.hi < 0
    last = shop.prints["printed_on"] >= day
    prints = shop.prints[last & (shop.prints["press_id"] == "P1")].reset_index(drop=True)
    prints = prints.assign(job_id=None, printed_on=prints["printed_on"].max())
    off = np.abs(lab_columns(prints, model.viewing_) - model.means(prints))
    assert np.median(off) < 1.0
    stored = ShiftModel.from_state(*model.to_state())
    np.testing.assert_array_equal(stored.means(prints), model.means(prints))


def test_what_was_found_is_told_as_a_drift_all_the_same():
    (_, day), model = moved(), learnt()
    kept = model.prints_[model.keep_].reset_index(drop=True)
    found = drifts(one_step_ahead(model, kept, model.lab_[model.keep_]))
    first = found.iloc[0]
    assert (first["cause"], first["level"]) == ("press", "P1")
    assert first["percent"] == pytest.approx(100 * np.expm1(FILM), abs=8)
    assert abs((first["since"] - day).days) <= 30


def test_a_batch_tells_that_its_press_has_moved():
    """Three prints of two jobs and more; a slip among others tells nothing of a press."""
    shop, day = moved()
    before = shop.prints["printed_on"] < day
    known = replace(shop, prints=shop.prints[before].reset_index(drop=True))
    model = ShiftModel(max_iterations=3).fit(known)
    assert not len(model.encoder_.jumps)
    stored = model.to_state()
    later = model.append(shop)
    [told] = later.moved_presses()
    assert told.press == "P1" and abs((told.since - day).days) <= 31
    assert told.percent == pytest.approx(100 * np.expm1(FILM), abs=9) and told.hi < 0
    own = shop.prints[~before & (shop.prints["press_id"] == "P1")].reset_index(drop=True)
    asked = own.assign(job_id=None, ink_lot=own["ink_lot"], printed_on=own["printed_on"].max())
    off = np.abs(later.means(asked) - lab_columns(own, model.viewing_))
    assert np.median(off) < 1.2
    changed = pd.DataFrame({"press_id": ["P1"], "changed_on": [day], "what": ["mended"]})
    mended = replace(moved(2 * FILM)[0], changes=changed.assign(note=None))
    told_of_it = ShiftModel.from_state(*stored).append(mended)
    assert not len(told_of_it.encoder_.jumps), "a change that is recorded says so"
    usual = moved(0.0)[0].prints
    spoilt = usual["print_id"] == own["print_id"].iloc[-1]
    usual = usual.assign(L=usual["L"].mask(spoilt, usual["L"] + 25))
    still = ShiftModel.from_state(*stored).append(replace(shop, prints=usual))
    assert not len(still.encoder_.jumps)


def test_a_press_that_stands_still_is_left_alone():
    assert not len(small_model().encoder_.jumps)


def test_what_prints_say_of_a_further_weight_is_what_it_would_be_learnt_as():
    """Against the posterior of a design that has the weight among its own: its variance and mean
    under some prior."""
    design, hyper = small_model().design_, small_model().hyper_
    design = design.take(np.arange(60))
    blocks = design.blocks
    own = next(b for b in blocks if b.name == "strength: lot").columns.start
    p = design.phi.p
    dense = design.phi.dense()
    more = dense[:, :, own : own + 1].copy()
    dense[:, :, own] = 0.0
    without = replace(design, phi=type(design.phi).of(dense, design.job * 0))
    [(information, told)] = posterior.of_more(without, hyper, [more])
    post = posterior.posterior(design, hyper)
    prior = column_variance(blocks, hyper.block, p)[own]
    precision = information[0] + 1 / prior
    assert post.variance[own] == pytest.approx(1 / precision, rel=1e-6)
    assert post.mean[own] == pytest.approx(told[0] / precision, rel=1e-6, abs=1e-12)
