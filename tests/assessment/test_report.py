"""A model checked on its own history."""

import numpy as np

from learn.predict import calibration
from pipelines.words.check import advice
from tests.assessment.checked import checked


def test_checkup_of_the_small_demo_shop():
    found = checked()
    assert [k.kind for k in found.kinds] == calibration.ALL_SITUATIONS
    by_kind = {k.kind: k for k in found.kinds}
    for k in found.kinds:
        assert 0.5 * k.floor < k.error < k.physics + 0.3
        assert k.pit.sum() == 3 * k.n
    job = by_kind["job"]
    # within the binomial band of the trials it is worth, and some slack for a small model
    assert job.honest[0] - 0.03 < job.coverage.share < job.honest[1] + 0.03
    assert job.error < job.physics < job.nearest
    assert by_kind["ink"].nearest is None
    assert by_kind["ink"].half_width > job.half_width
    assert found.budget.error >= found.budget.scatter > found.budget.instrument
    assert found.chances.targets["holds"].mean() > 0.6
    rows = found.limits.set_index(["factor", "level"])
    assert rows.loc[("ink", "C08"), "n"] == 0  # bright red is in the tables, never printed
    assert np.isnan(rows.loc[("ink", "C08"), "beyond"])
    assert any("M32-100: never printed" in text for text in advice(found))
    named = advice(found, {"ink": {"C08": "Bright red"}})
    assert any(text.startswith("Ink Bright red (C08)") for text in named)
    ink = next(text for text in advice(found) if text.startswith("Ink C08"))
    assert "strikeoff new-ink --ink C08 names the prints of each" in ink
    assert rows.groupby("factor")["share"].sum().round(6).eq(1).all()
