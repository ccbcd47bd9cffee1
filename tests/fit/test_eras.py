"""A press from a recorded change on: another one, and before it the same as ever."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from learn.fit.eras import eras_of
from learn.fit.fingerprints import changes as changed_since
from learn.fit.fingerprints import marks_of
from tests.small_demo import tiny_model, tiny_shop


def recorded(press: str, *days: str) -> pd.DataFrame:
    return pd.DataFrame(
        {"press_id": press, "changed_on": pd.to_datetime(list(days)), "what": "", "note": None}
    )


def test_eras_begin_on_the_day_of_a_change():
    press = pd.Series(["P1", "P2", "P2", "P2", "P2", None, "P2"], dtype=object)
    day = pd.Series(
        pd.to_datetime(
            [
                "2025-01-01",
                "2025-01-09",
                "2025-01-10",
                "2025-03-01",
                None,
                "2025-03-01",
                "2024-01-01",
            ]
        )
    )
    era, begun = eras_of(press, day, recorded("P2", "2025-02-01", "2025-01-10", "2025-02-01"))
    first, second = "P2\x1f2025-01-10", "P2\x1f2025-02-01"
    assert era.tolist() == ["P1", "P2", first, second, second, None, "P2"]
    assert begun.dt.strftime("%m-%d").tolist()[2:5] == ["01-10", "02-01", "02-01"]
    assert begun.isna().tolist() == [True, True, False, False, False, True, True]


def test_a_change_parts_a_press_from_itself_and_leaves_all_else_as_it_was():
    shop, model = tiny_shop(), tiny_model()
    setups = shop.prints.assign(printed_on=shop.prints["printed_on"].max())
    press = setups["press_id"].mode()[0]
    own = (setups["press_id"] == press).to_numpy()
    day = setups["printed_on"].max()
    told = model.told_of(replace(shop, changes=recorded(press, f"{day:%Y-%m-%d}")))
    was, now = model.predict_lab(setups), told.predict_lab(setups)
    np.testing.assert_allclose(now.mean[~own], was.mean[~own], rtol=1e-12)
    np.testing.assert_allclose(now.covariance[~own], was.covariance[~own], rtol=1e-9)
    assert (np.linalg.det(now.covariance[own]) > np.linalg.det(was.covariance[own])).mean() > 0.95
    earlier = shop.prints["printed_on"] < day
    same = told.predict_lab(shop.prints[earlier])
    np.testing.assert_array_equal(same.mean, model.predict_lab(shop.prints[earlier]).mean)
    X = told.features(pd.concat([shop.prints[earlier & own].head(1), setups[own].head(1)]))
    for fitted, ell in zip(
        told.layout_.terms, told.layout_.lengths_of(told.log_lengths_), strict=True
    ):
        if fitted.term.name.startswith("film: press"):
            assert fitted.alike(X, ell)[0, 1] == 0


def test_prints_since_a_change_that_were_learnt_as_before_it_are_learnt_anew():
    shop = tiny_shop()
    last = shop.prints.dropna(subset="press_id").sort_values("printed_on").iloc[-1]
    late = replace(shop, changes=recorded(last["press_id"], f"{last['printed_on']:%Y-%m-%d}"))
    assert f"print {last['print_id']}" in changed_since(marks_of(shop), marks_of(late))
    with pytest.raises(ValueError, match="changed since the model learnt"):
        tiny_model().told_of(shop).append(late)
    to_come = replace(shop, changes=recorded(last["press_id"], "2030-01-01"))
    assert marks_of(to_come) == marks_of(shop)
