"""A glance at a shop."""

from __future__ import annotations

from learn.monitoring.status import glance
from learn.predict.model import ShiftModel
from tests.small_demo import small_model, small_shop


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
    assert set(seen.film["press"]) <= set(whole.prints["press_id"].dropna())
    assert seen.film["prints"].sum() <= whole.prints["printed_on"].notna().sum()
