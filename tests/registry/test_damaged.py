"""A damaged or edited model is told, with another to go on with, or has changed nothing."""

from __future__ import annotations

from tests import damaged


def test_a_damaged_model_is_told_or_has_changed_nothing(sound_shop):
    became = {
        f"{kind}, {name}": damaged.outcome(sound_shop, kind, name, damage)
        for kind, name, damage in damaged.cases(damaged.models(), 31)
    }
    assert len(became) >= 10
    assert {case: one for case, one in became.items() if one[0] not in damaged.WELL} == {}
    assert sum(one == "told" for one, _ in became.values()) > len(became) / 2
