"""A database that was edited by hand, cut or replaced is told, or has changed nothing."""

from __future__ import annotations

from tests import damaged


def test_a_damaged_database_is_told_or_has_changed_nothing(sound_shop):
    kinds = damaged.database()
    files = {kind: kinds.pop(kind) for kind in [*kinds] if "emptied" in kind}
    became = {
        f"{kind}, {name}": damaged.outcome(sound_shop, kind, name, damage)
        for kind, name, damage in [*damaged.cases(kinds, 9), *damaged.cases(files)]
        if "bit" not in kind  # which `test_seals` has
    }
    assert len(became) >= 14
    assert {case: one for case, one in became.items() if one[0] not in damaged.WELL} == {}
    assert sum(one == "told" for one, _ in became.values()) > len(became) / 2
