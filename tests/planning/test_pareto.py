"""Lines worth showing."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from learn.planning.pareto import non_dominated


@given(arrays(float, st.tuples(st.integers(1, 12), st.integers(1, 4)), elements=st.integers(0, 4)))
def test_the_front_is_what_no_row_beats(values):
    kept = non_dominated(values)
    for i, j in itertools.permutations(range(len(values)), 2):
        if kept[i]:
            beats = (values[j] <= values[i]).all() and (values[j] < values[i]).any()
            assert not beats
    distinct = {tuple(row) for row in values[kept]}
    assert len(distinct) == kept.sum() >= 1
