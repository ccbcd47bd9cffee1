"""What is taken for a cell that a set-up leaves empty, and how far off that may be."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import viewing
from learn.fit.encoding import Encoder
from tests.small_demo import small_shop

NOT_TOLD = np.nan


@pytest.mark.parametrize(
    ("told", "taken", "open_"),
    [
        # a press that always flashes: an empty cell was forgotten
        ([1] * 59 + [NOT_TOLD], 1.0, -0.13),
        # as often as not
        ([1, 0] * 29 + [NOT_TOLD] * 2, 0.5, 0.5),
        ([0] * 50 + [NOT_TOLD] * 10, 0.0, 0.14),
        # no cell says none, and many say nothing: these say none, or were forgotten
        ([1] * 30 + [NOT_TOLD] * 30, 0.0, 0.5),
        ([NOT_TOLD] * 60, 0.0, 0.5),
    ],
)
def test_strokes_not_told_to_be_flashed_are_flashed_as_others_are(told, taken, open_):
    shop = small_shop()
    prints = shop.prints.iloc[np.arange(60) % len(shop.prints)].assign(
        strokes=2.0, flash_count=np.array(told, float)
    )
    encoder = Encoder.of(replace(shop, prints=prints), viewing("D50", "2"))
    asked = prints.head(3).assign(strokes=[1.0, 2.0, 3.0], flash_count=NOT_TOLD)
    stack = encoder.layers(asked, list(shop.inks["ink_id"]))
    assert stack.flashes == pytest.approx([0.0, taken, 2 * taken], abs=0.04)
    left_open = encoder.process(asked, stack)["open_flashes"]
    assert list(left_open) == pytest.approx([0.0, open_, 2 * open_], abs=0.04)
    surely = encoder.layers(asked.assign(flash_count=[0.0, 1.0, 1.0]), list(shop.inks["ink_id"]))
    pd.testing.assert_series_equal(pd.Series(surely.flashes), pd.Series([0.0, 1.0, 1.0]))
