"""Tasks shared out: none lost, none told twice, whatever is killed; what is wrong in a sentence."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from learn.errors import Unusable
from pipelines.tasks.crew import carried_out, code, differences
from pipelines.workspace.problems import UserError


@dataclass(frozen=True)
class Number:
    name: str
    part: int
    folder: Path = Path()

    @property
    def key(self):
        return self.name, self.part


def numbers(n, folder):
    return [Number("n", i, folder) for i in range(n)]


def squared(task):
    return task.part**2


def fails_at_two(task):
    if task.part == 2:
        raise Unusable("two is too many.")
    return task.part**2


def dies_once(task):
    """The worker of the third is ended as by a lack of memory, the first time."""
    mark = task.folder / "died"
    if task.part == 3 and not mark.exists():
        mark.touch()
        os._exit(9)
    return task.part**2


def dies_at_three(task):
    if task.part == 3:
        os._exit(9)
    return task.part**2


@pytest.mark.parametrize("workers", [1, 2])
def test_one_that_fails_stops_no_other(tmp_path, workers):
    done = {d.key[1]: d for d in carried_out(fails_at_two, numbers(5, tmp_path), workers=workers)}
    assert done.pop(2).trouble == "two is too many"
    assert {i: d.answer for i, d in done.items()} == {0: 0, 1: 1, 3: 9, 4: 16}


def test_what_a_killed_worker_held_is_done_again(tmp_path):
    done = [(d.key[1], d.answer) for d in carried_out(dies_once, numbers(9, tmp_path), workers=2)]
    assert (tmp_path / "died").exists()
    assert sorted(done) == [(i, i * i) for i in range(9)]


def test_a_task_that_ends_every_worker_is_told_and_the_others_are_done(tmp_path):
    done = {d.key[1]: d for d in carried_out(dies_at_three, numbers(7, tmp_path), workers=2)}
    assert "enough memory" in done.pop(3).trouble
    assert {i: d.answer for i, d in done.items()} == {i: i * i for i in (0, 1, 2, 4, 5, 6)}


def test_without_dask_the_extra_is_named(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UserError, match=r"strikeoff\[cluster\]"):
        list(carried_out(squared, numbers(1, tmp_path), cluster="tcp://127.0.0.1:1"))


def test_an_address_without_a_scheduler_is_told(tmp_path, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("pipelines.tasks.crew.ANSWER_S", 1.0)
    for address in ("tcp://127.0.0.1:9", "127.0.0.1:9", "tcp://nowhere.invalid:8786"):
        with pytest.raises(UserError, match="No Dask scheduler answers"):
            list(carried_out(squared, numbers(1, tmp_path), cluster=address))
    for address in ("nowhere", "tcp://nowhere", "", "http://host/x"):
        with pytest.raises(UserError, match="is no address of a scheduler"):
            list(carried_out(squared, numbers(1, tmp_path), cluster=address))


def test_other_versions_are_told_by_name():
    here = code()
    assert differences(here, here) == ""
    assert differences(here | {"numpy": "1.0"}, here) == f"numpy 1.0, here {here['numpy']}"
