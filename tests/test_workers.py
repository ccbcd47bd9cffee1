"""Work shared out: really at once, and with the same outcome to the last digit."""

from __future__ import annotations

import json
import os
import time
from functools import partial
from pathlib import Path
from threading import Barrier, get_ident

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from learn.workers import LARGE, at_work, in_threads, large_at_work, workers
from tests.small_demo import learnt, tiny_model, tiny_shop


def _meet(folder: Path, item: int) -> tuple[int, int]:
    """Waits until two processes have come."""
    (folder / str(item)).touch()
    until = time.monotonic() + 60
    while len(list(folder.iterdir())) < 2:
        assert time.monotonic() < until, "nobody works beside"
        time.sleep(0.01)
    return 10 * item, os.getpid()


def test_two_processes_work_at_once_and_answer_in_order(tmp_path):
    with workers(2):
        found = at_work(partial(_meet, tmp_path), range(4))
    assert [answer for answer, _ in found] == [0, 10, 20, 30]
    processes = {process for _, process in found}
    assert len(processes) == 2
    assert os.getpid() not in processes
    for process in processes:  # and none is left behind
        with pytest.raises(ProcessLookupError):
            os.kill(process, 0)


def _plus(arrays: list[np.ndarray], item: int) -> float:
    return float(arrays[item].sum()) + arrays[item].size


def test_a_worker_gets_every_array_as_it_is():
    rng = np.random.default_rng(0)
    arrays = [rng.standard_normal(n) for n in (1, 7, 100_000)]
    arrays += [rng.standard_normal((30, 40)).T, rng.standard_normal((9, 8))[::2], np.zeros((0, 3))]
    with workers(2):
        found = at_work(partial(_plus, arrays), range(len(arrays)))
    assert found == [_plus(arrays, i) for i in range(len(arrays))]


def _shared_within(item: int) -> list[int]:
    return [process for process in at_work(_process, range(3)) if process != os.getpid()]


def _process(_: int) -> int:
    return os.getpid()


def test_a_worker_shares_out_nothing_more():
    with workers(2):
        assert at_work(_shared_within, range(2)) == [[], []]


_kept: list[np.ndarray] = []


def _keeps_much(_: int) -> int:
    if not _kept:
        _kept.append(np.ones(50_000_000))  # 400 MB
    time.sleep(1.1)  # memory is looked at once a second
    return os.getpid()


@pytest.mark.filterwarnings("error")
def test_a_worker_that_needs_much_memory_stays(recwarn):
    with workers(2):
        processes = at_work(_keeps_much, range(4)) + at_work(_keeps_much, range(2))
    assert len(set(processes)) <= 2  # nobody was ended and started anew
    assert not recwarn.list


def _one_over(item: int) -> float:
    return 1 / item


def test_what_goes_wrong_is_told():
    with workers(2), pytest.raises(ZeroDivisionError):
        at_work(_one_over, [2, 1, 0])


def _dies_beside(master: int, item: int) -> int:
    if os.getpid() != master:
        os._exit(9)
    return item


def test_work_of_a_worker_that_was_killed_is_done_here():
    with workers(2):
        assert at_work(partial(_dies_beside, os.getpid()), range(3)) == [0, 1, 2]


def test_two_threads_work_at_once_and_answer_in_order():
    both = Barrier(2, timeout=20)  # broken unless two threads reach it together

    def wait(item: int) -> int:
        both.wait()
        return 10 * item

    assert in_threads(wait, range(4)) == [0, 10, 20, 30]


@pytest.mark.parametrize("large", [LARGE, 0], ids=["small", "as if large: by threads too"])
def test_a_fit_by_two_workers_is_that_by_one_to_the_last_bit(large, monkeypatch):
    monkeypatch.setattr("learn.workers.LARGE", large)
    alone = tiny_model()
    with threadpool_limits(2, user_api="blas"):  # as outside of a test run
        both = learnt(tiny_shop(), n_jobs=2)
        (arrays, description), (theirs, described) = both.to_state(), alone.to_state()
    assert arrays.keys() == theirs.keys()
    for name, values in arrays.items():
        assert np.asarray(values).tobytes() == np.asarray(theirs[name]).tobytes(), name
    assert json.dumps(description, default=str) == json.dumps(described, default=str)


def test_large_arrays_are_worked_on_by_two_threads_of_this_process_at_once():
    both = Barrier(2, timeout=60)

    def meet(item: int) -> tuple[int, int]:
        both.wait()
        return 10 * item, os.getpid()

    with workers(2):
        assert list(large_at_work(meet, range(4), LARGE)) == [
            (10 * i, os.getpid()) for i in range(4)
        ]


def test_of_small_ones_or_without_workers_one_does_all():
    def alone(_: int) -> int:
        return get_ident()

    with workers(2):
        small = list(large_at_work(alone, range(3), LARGE - 1))
    assert small + list(large_at_work(alone, range(3), LARGE)) == 6 * [get_ident()]
