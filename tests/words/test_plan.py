"""A plan in words."""

from __future__ import annotations

import learn
from pipelines.words.plan import cost_words, plan_block
from tests.small_demo import GARMENTS, small_model, small_shop


def test_words_of_a_plan(small_plan):
    settings = small_shop().settings
    shades = learn.shades(
        small_model(),
        small_plan.target,
        {"mesh_id": "M77-55", "strokes": 1.0, "flash_count": 0.0, "press_id": "P1"},
        GARMENTS,
    )
    block = plan_block(small_plan, {"C08": "Bright red"}, shades, settings)
    assert "set-ups looked at" in block
    assert "bucket match" in block
    assert "35 for a test print and 260" in cost_words(small_plan.lines, settings)
