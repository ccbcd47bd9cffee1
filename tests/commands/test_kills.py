"""Killed before any system call: all is old or new, and the same command comes to its end."""

from __future__ import annotations

import pytest

from tests.kills import OFTEN, RIVALS, Case, Scene, Seen, restore


@pytest.mark.parametrize("case", OFTEN, ids=lambda case: case.name)
def test_killed_before_any_call_all_is_old_or_new(case: Case, tmp_path):
    scene = Scene(case, tmp_path / "work")
    taken = scene.photographs()
    last: list[tuple[Seen, int]] = []  # each thing seen, and when it was seen last
    for at, (where, photo) in enumerate(taken):
        seen = scene.look(photo)
        scene.is_old_or_new(seen, where)
        if last and seen == last[-1][0]:
            last.pop()
        last.append((seen, at))
    if scene.old[:2] == scene.new[:2]:
        last.pop()  # it writes files alone, and would do so again
    for _, at in last:
        where, photo = taken[at]
        restore(scene.root, photo)
        scene.goes_on(where)


def test_a_photograph_is_what_a_kill_leaves(tmp_path):
    scene = Scene(next(case for case in OFTEN if case.name == "set aside"), tmp_path / "work")
    taken = scene.photographs()
    at = len(taken) // 2
    assert scene.kill(at)
    assert scene.look() == scene.look(taken[at][1])


@pytest.mark.parametrize("name", ["target", "learn"])
def test_a_rival_of_the_killed_comes_to_the_end(name, tmp_path):
    scene = Scene(next(case for case in RIVALS if case.name == name), tmp_path / "work")
    calls = len(scene.photographs()) - 1
    assert scene.overtaken(calls * 2 // 3) == 0
    assert scene.look() == scene.new
