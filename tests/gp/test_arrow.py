"""The precision solved part by part, against the same one written out and inverted (NumPy)."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from learn.gp import posterior
from learn.gp.arrow import Arrow
from learn.gp.design_matrix import Part, Phi
from learn.gp.posterior import Posterior
from tests.gp.test_posterior import small_problem

P = 9
SILENT = [2, 8]  # weights that act on no print of any part
# Which weights each part depends on: as inks do, and every odd way they can meet.
MEETINGS = {
    "own and common": [[0, 1, 4, 7], [2, 3, 4, 7, 8], [4, 5, 8]],
    "one part holds all another has": [[0, 1, 2, 3, 4], [1, 3]],
    "in pairs, none in common": [[0, 1, 2], [2, 3, 4], [0, 4, 5]],
    "no local weight": [[0, 3, 5], [0, 3], [0, 3, 5]],
    "no shared weight": [[0, 2], [1, 5, 6], [8]],
    "one part": [[0, 1, 3, 6]],
    "a part without weights": [[0, 1], [], [1, 2]],
    "no part": [],
}


def meeting(columns: list[list[int]]) -> tuple[Arrow, np.ndarray, list[np.ndarray]]:
    """The arrow of random parts, its precision (p, p), and what each part tells."""
    rng = np.random.default_rng(len(columns))
    prior = np.exp(rng.normal(size=P))
    precision, told = np.diag(prior), []
    for own in columns:
        rows = rng.normal(size=(3, len(own)))  # fewer than weights: the prior settles the rest
        rows[:, np.isin(own, SILENT)] = 0
        precision[np.ix_(own, own)] += rows.T @ rows
        told.append(rows.T @ rows)
    return Arrow.of(prior, [np.array(own, int) for own in columns], told), precision, told


@pytest.mark.parametrize("columns", MEETINGS.values(), ids=MEETINGS.keys())
def test_all_that_is_asked_of_a_precision(columns, capfd):
    arrow, precision, _ = meeting(columns)
    covariance = np.linalg.inv(precision)
    assert_allclose(arrow.precision(), precision, atol=1e-12)
    assert arrow.log_det == pytest.approx(np.linalg.slogdet(precision)[1], rel=1e-12)
    assert_allclose(arrow.variance(), np.diag(covariance), rtol=1e-10)
    values = np.random.default_rng(0).normal(size=(4, P))
    assert_allclose(arrow.solve(values[0]), covariance @ values[0], atol=1e-11)
    for part, own in enumerate(columns):
        expected = values[:, own] @ covariance[np.ix_(own, own)]
        assert_allclose(arrow.times(values[:, own], part), expected, atol=1e-11)
    # prints of the parts, and some that meet them in odd places, as those of a part left out do
    odd = [*columns, list(range(0, P, 2)), list(range(P))]
    rng = np.random.default_rng(1)
    phi = Phi(
        [
            Part(np.array([i]), np.array(own, int), rng.normal(size=(1, 3, len(own))))
            for i, own in enumerate(odd)
        ],
        len(odd),
        P,
    )
    half, flat = arrow.half(phi).reshape(3 * phi.n, -1), phi.dense().reshape(-1, P)
    assert_allclose(half @ half.T, flat @ covariance @ flat.T, atol=1e-11)
    said = capfd.readouterr()
    assert said.out + said.err == ""  # LAPACK writes to the screen by itself


@pytest.mark.parametrize("columns", MEETINGS.values(), ids=MEETINGS.keys())
def test_less_of_what_parts_tell_is_as_if_they_had_told_less(columns):
    arrow, precision, told = meeting(columns)
    less = {part: told[part] * (1.0, 0.4)[part] for part in range(min(2, len(columns)))}
    for part, values in less.items():
        precision[np.ix_(columns[part], columns[part])] -= values
    without = arrow.less(less)
    assert_allclose(without.precision(), precision, atol=1e-11)
    values = np.random.default_rng(0).normal(size=P)
    assert_allclose(without.solve(values), np.linalg.solve(precision, values), atol=1e-10)


def test_only_what_is_shared_is_solved_together():
    arrow, *_ = meeting(MEETINGS["own and common"])
    assert arrow.shared.tolist() == [4, 7, 8]
    assert arrow.root.shape == (3, 3)
    assert arrow.idle.tolist() == [6, 2]


def test_a_precision_that_is_none_is_refused():
    with pytest.raises(np.linalg.LinAlgError):
        Arrow.of(np.ones(2), [np.array([0, 1])], [np.diag([1.0, -2.0])])


def test_a_posterior_is_the_same_from_its_parts_and_from_its_root():
    post = posterior.posterior(*small_problem())
    whole = Posterior(post.mean, post.root, post.log_evidence)
    assert_allclose(post.variance, whole.variance, rtol=1e-10)
    assert_allclose(post.root, np.triu(post.root))
