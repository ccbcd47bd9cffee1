"""Work shared out over threads: really at once, and with the same outcome to the last digit."""

from __future__ import annotations

import json
from threading import Barrier

import numpy as np
import pytest

from learn.predict.model import ShiftModel
from learn.workers import at_work, each, workers
from tests.small_demo import small_model, small_shop


@pytest.mark.parametrize("share", [each, at_work])
class TestShare:
    def test_two_workers_work_at_once_and_answer_in_order(self, share):
        both = Barrier(2, timeout=20)  # broken unless two threads reach it together

        def wait(item: int) -> int:
            both.wait()
            return 10 * item

        with workers(2):
            assert share(wait, range(4)) == [0, 10, 20, 30]

    def test_a_worker_shares_out_nothing_more(self, share):
        with workers(2):
            inner = share(lambda item: each(lambda i: i + item, range(3)), [0, 10])
        assert inner == [[0, 1, 2], [10, 11, 12]]

    def test_what_goes_wrong_is_told(self, share):
        with workers(2), pytest.raises(ZeroDivisionError):
            share(lambda item: 1 // item, [2, 1, 0])


def test_a_fit_by_two_workers_is_that_by_one_to_the_last_bit():
    alone = small_model()
    both = ShiftModel(max_iterations=alone.max_iterations, n_jobs=2).fit(small_shop())
    (arrays, description), (theirs, described) = both.to_state(), alone.to_state()
    assert arrays.keys() == theirs.keys()
    for name, values in arrays.items():
        assert np.asarray(values).tobytes() == np.asarray(theirs[name]).tobytes(), name
    assert json.dumps(description, default=str) == json.dumps(described, default=str)
