"""A press that drifted and was mended: recording the day brings its colours and bands back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00
from learn.normal import Z90, sd_of
from learn.predict.model import ShiftModel
from tests.worlds import tables
from tests.worlds.light import lab_of
from tests.worlds.shop import draw_shop

SEED, SIZE = 38, 160  # of no part; its second press had drifted by 35 % of film when it was mended
PRESS = 1


def test_a_recorded_mending_brings_error_and_bands_back():
    drawn = draw_shop(SEED, SIZE, "plastisol", ask=5)
    presses, shop = drawn.world.presses, tables.read(drawn)
    mended = int(np.abs(np.diff(presses.level[PRESS])).argmax()) + 1
    at = shop.prints["print_id"].str[1:].astype(int).to_numpy() - 1
    true = drawn.history.iloc[at]
    after = ((true["press"] == PRESS) & (true["day"] >= mended)).to_numpy()
    after = after & ~np.isin(at, list(drawn.wrong))
    measured, truth = lab_of(drawn.measured)[at], lab_of(drawn.world.reflectance(drawn.history))[at]
    before = shop.prints[(true["day"] < mended).to_numpy()].reset_index(drop=True)
    shop = replace(shop, prints=before)
    change = pd.DataFrame({"press_id": [presses.names[PRESS]], "what": ["mended"], "note": [None]})
    change["changed_on"] = tables.FIRST_DAY + pd.Timedelta(days=mended)
    model = ShiftModel(max_iterations=6, restarts=0).fit(shop)
    asked = tables.read(drawn).prints[after]
    off, held = {}, {}
    for told, known in (
        ("nothing", shop),
        ("the day", replace(shop, changes=change)),
    ):
        p = model.told_of(known).predict_lab(asked)
        off[told] = np.median(delta_e00(p.mean, truth[after]))
        held[told] = (np.abs(measured[after] - p.mean) <= Z90 * sd_of(p.covariance)).mean()
    assert off["the day"] < 0.6 * off["nothing"]
    assert held["nothing"] < 0.7 < 0.8 < held["the day"]
