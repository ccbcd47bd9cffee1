"""Weights that nothing ties, kept one by one: the same as written out, by dense linear algebra."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from learn.gp.apart import Apart
from learn.gp.posterior import Posterior, informed


@pytest.fixture
def both() -> tuple[Posterior, Posterior]:
    """Of nine weights, four of them tied; and the same written out."""
    rng = np.random.default_rng(3)
    root = np.triu(rng.normal(size=(4, 4))) + 3 * np.eye(4)
    at, alone = np.array([1, 2, 5, 8]), rng.uniform(0.5, 2.0, 9)
    mean = np.zeros(9)
    mean[at] = rng.normal(size=4)
    apart = Posterior(mean, Apart(Posterior(mean[at], root, 0.0), at, alone), 0.0)
    whole = np.diag(alone)
    whole[np.ix_(at, at)] = root
    return apart, Posterior(mean, whole, 0.0)


def test_it_is_the_precision_written_out(both: tuple[Posterior, Posterior]) -> None:
    apart, whole = both
    covariance = np.linalg.inv(whole.factor.T @ whole.factor)
    assert_allclose(apart.root, whole.root)
    assert_allclose(apart.variance, np.diag(covariance))
    columns = np.array([0, 2, 3, 5, 8])
    assert_allclose(apart.covariance_of(columns), covariance[np.ix_(columns, columns)], atol=1e-14)
    z = np.random.default_rng(4).normal(size=(9, 3))
    assert_allclose(apart.solved(z), np.linalg.solve(whole.root, z))
    assert_allclose(apart.solved(z, transposed=True), np.linalg.solve(whole.root.T, z))


def test_what_is_told_of_some_ties_these_alone(both: tuple[Posterior, Posterior]) -> None:
    apart, whole = both
    told = [
        (np.array([0, 5]), np.array([[2.0, 0.4], [0.4, 1.0]]), np.array([0.3, -0.2])),
        (np.array([0, 6]), np.eye(2), np.array([0.1, 0.5])),
    ]
    one, other = informed(apart, told), informed(whole, told)
    assert_allclose(one.mean, other.mean, atol=1e-14)
    everything = np.arange(9)
    assert_allclose(one.covariance_of(everything), other.covariance, atol=1e-14)
    assert isinstance(one.factor, Apart)
    assert set(everything) - set(one.factor.at) == {3, 4, 7}
