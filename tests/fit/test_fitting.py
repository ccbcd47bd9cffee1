"""Gross errors in a history are found, and hardly a good print with them."""

import numpy as np
import pytest
from scipy.stats import chi2

from learn.fit.fitting import is_gross
from tests.small_demo import gross_errors, small_model, small_shop


def test_a_gross_error_is_both_improbable_and_visible():
    """Beyond the 1e-7 point of chi-square, 3 degrees of freedom (scipy: 35.41), and 1 dE00."""
    squared, dE00 = np.array([35.3, 35.5, 35.5, 900.0]), np.array([9.0, 9.0, 0.9, 0.9])
    assert chi2.isf(1e-7, 3) == pytest.approx(35.41, abs=0.01)
    assert is_gross(squared, dE00).tolist() == [False, True, False, False]


def test_gross_errors_are_set_aside_with_their_reason():
    spoilt = gross_errors() & set(small_shop().prints["print_id"])
    found = small_model().set_aside_
    assert len(spoilt) == 5
    assert spoilt <= set(found["print_id"])
    assert len(found) <= len(spoilt) + 1, "hardly a good print is lost"
    assert found["reason"].str.contains("from what all other prints say").all()
    assert small_model().validation_["n_set_aside"] == len(found)
