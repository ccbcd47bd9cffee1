"""The learning curve."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from learn.assessment import learning_curve as curve
from learn.assessment.learning_curve import job_order, learning_curve, median_by_groups
from learn.predict.model import ShiftModel
from tests.small_demo import small_shop


def test_median_interval_is_that_of_order_statistics():
    """Independent values: ranks n/2 -+ 0.98 sqrt(n), from the binomial distribution."""
    values = norm.ppf((np.arange(400) + 0.5) / 400)
    middle, lo, hi = median_by_groups(values, np.arange(400))
    assert middle == pytest.approx(0, abs=0.01)
    assert lo == pytest.approx(values[180], abs=0.03)
    assert hi == pytest.approx(values[219], abs=0.03)


def test_the_curve_learns_from_before_and_is_scored_on_after(monkeypatch):
    shop = small_shop()
    learnt = []

    class Fake(ShiftModel):
        def fit(self, part):
            learnt.append(set(part.prints["print_id"]))
            return self

    asked = []

    def score(model, prints, job):
        asked.append(prints)
        return len(prints)

    monkeypatch.setattr(curve, "ShiftModel", Fake)
    monkeypatch.setattr(curve, "_point", score)
    skip = np.zeros(len(shop.prints), bool)
    skip[-1] = True
    points, by_date = learning_curve(shop, skip)
    assert by_date and len(points) == len(curve.SHARES) == len(learnt)
    first = shop.prints.groupby("job_id")["printed_on"].min()
    for past, ahead in zip(learnt, asked, strict=True):
        assert not past & set(ahead["print_id"])
        before = shop.prints[shop.prints["print_id"].isin(past)]
        assert not set(before["job_id"]) & set(ahead["job_id"])
        assert first[before["job_id"]].max() <= first[ahead["job_id"]].min()
        assert shop.prints["print_id"].iloc[-1] not in set(ahead["print_id"])
    undated = shop.prints.assign(printed_on=pd.NaT)
    place, by_date = job_order(undated)
    assert not by_date
    np.testing.assert_array_equal(place, job_order(undated)[0])
    spread = pd.Series(place).groupby(undated["job_id"].to_numpy()).agg(np.ptp)
    assert (spread == 0).all()
