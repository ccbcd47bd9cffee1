"""Ends that are neared."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from learn.physics.ends import between, bounded


@given(x=st.floats(-8, 8), most=st.floats(0.5, 3))
def test_an_end_is_neared_and_never_reached(x, most):
    """Nearly as it is far from the end; beyond it a slope is left, which leads back."""
    found = bounded(x, most)
    assert abs(found) < most
    assert bounded(-x, most) == -found
    assert bounded(x + 1e-3, most) > found
    if abs(x) < most / 2:
        assert found == pytest.approx(x, rel=0.02)


@given(x=st.floats(-30, 30))
def test_between_two_ends_what_is_usual_is_as_it_is(x):
    low, usual, high = -6.0, 0.5, 4.0
    assert low < between(np.array(x), low, usual, high) < high
    assert between(np.array(x + 1e-3), low, usual, high) > between(np.array(x), low, usual, high)
    assert between(np.array(usual), low, usual, high) == usual
