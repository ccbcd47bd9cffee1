"""What is believed of set-ups now, and once one of them has been printed."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.testing import assert_allclose

from learn.normal import sd_of
from learn.planning.prospect import Prospect, spread_after
from learn.predict.carrying import Carrying
from learn.predict.model import ShiftModel
from tests.small_demo import LAB, TRUE_LAB, next_prints, small_model, small_shop

NEW_INK = "C08"


def a_week() -> pd.DataFrame:
    """Jobs of an ink never printed and of one that often was, each a job of its own."""
    new = next_prints(["C19"]).drop_duplicates("substrate_id").head(4)
    jobs = pd.concat([new.assign(ink_id=NEW_INK), new], ignore_index=True)
    day = small_shop().prints["printed_on"].max()
    lots = jobs["ink_id"] + "-at hand"
    return jobs.assign(job_id=[f"T{i}" for i in range(8)], printed_on=day, ink_lot=lots)


def a_shop_of_doubts() -> ShiftModel:
    """The small model, had inks left out been predicted badly and best by halves."""
    model = copy.copy(small_model())
    model.spread_factors_ = model.spread_factors_ | {"ink": 1.6}
    model.carrying_ = Carrying(0.5, model.carrying_.constants)
    return model


def test_beliefs_are_predictions_with_what_they_share(open_jobs):
    known = Prospect.of(small_model(), open_jobs).now.widened(small_model().spread(open_jobs))
    alone = small_model().predict_lab(open_jobs)
    at = np.arange(len(open_jobs))
    assert_allclose(known.mean, alone.mean, atol=1e-9)
    assert_allclose(known.unknown[at, :, at, :] + known.scatter, alone.covariance, rtol=1e-8)


def test_a_test_print_is_learnt_as_a_gaussian_is_conditioned(open_jobs):
    known = Prospect.of(small_model(), open_jobs).printed
    reading = known.mean[3] + [1.0, -2.0, 0.5]
    after = known.after(3, reading)
    n = 3 * len(open_jobs)
    C, rows = known.unknown.reshape(n, n), slice(9, 12)
    gain = C[:, rows] @ np.linalg.inv(C[rows, rows] + known.scatter[3])
    assert_allclose(after.mean.ravel(), known.mean.ravel() + gain @ (reading - known.mean[3]))
    assert_allclose(after.unknown.reshape(n, n), C - gain @ C[rows], atol=1e-9)
    assert np.linalg.eigvalsh(after.unknown.reshape(n, n)).min() > -1e-6


def test_what_a_print_is_said_to_leave_is_what_the_model_says_once_it_has_learnt_it():
    """Spread factors and all, of an ink never printed and of one that was."""
    model, jobs, t = a_shop_of_doubts(), a_week(), 1
    known = Prospect.of(model, jobs)
    reading = known.now.mean[t]
    said = known.once(t).after(t, reading).widened(spread_after(model, jobs)[t])
    print_ = jobs.iloc[[t]].assign(print_id="T", **dict(zip(LAB, reading, strict=True)))
    prints = pd.concat([small_shop().prints, print_.drop(columns=TRUE_LAB)], ignore_index=True)
    found = model.append(replace(small_shop(), prints=prints)).predict_lab(jobs)
    assert_allclose(said.mean, found.mean, atol=0.5)
    told = sd_of(said.own() + said.scatter)
    assert_allclose(told, sd_of(found.covariance), rtol=0.12)
    before = sd_of(known.now.widened(a_shop_of_doubts().spread(jobs)).own() + known.now.scatter)
    assert (told[:4] < 0.8 * before[:4]).all()
