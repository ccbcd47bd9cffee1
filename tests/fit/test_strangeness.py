"""Levels unlike the others, against what Student's t says by quadrature."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import integrate, stats

from learn.fit import strangeness
from learn.fit.linearisation import Layout
from learn.gp.posterior import Hyper, Posterior
from learn.gp.terms import FittedTerm, Term, band_of
from learn.physics.print_model import CONSTANT_MEAN

TAILS, SD = 3.0, 0.05
LOT = Term("strength: lot", "strength", SD, levels="lot", tails=TAILS)
DRIFT = Term("drift", "film", SD, levels="press", smooth=("day",), tails=TAILS)


def layout_of(term: Term, levels: int, points: int = 1) -> Layout:
    """One term and no ink: the weights are those of the term behind the constants."""
    names = tuple(f"level {i}" for i in range(levels))
    fitted = FittedTerm(term, names, np.zeros((points, len(term.smooth))), np.ones(levels))
    return Layout(SimpleNamespace(ink_ids=()), [fitted], None, np.zeros(len(CONSTANT_MEAN)))


def settled(
    layout: Layout, told: np.ndarray, seen: np.ndarray, ahead: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """Mean and variance of each level's effect, how strange each is, and the rounds that took.

    ``told`` (p, p): information on the term's effects; ``seen`` (p,): the same times what was seen.
    """
    n, points = len(layout.terms[0].strange), layout.terms[0].size // len(layout.terms[0].strange)
    hyper = Hyper(np.log([1.0, 1.0, 1.0, SD]), np.zeros(0), np.zeros(0))
    own = layout.term_slices[0]
    rounds = 0
    while True:
        scale = np.repeat(np.sqrt(layout.terms[0].strange), points)
        precision = np.eye(layout.size)
        precision[own, own] = scale[:, None] * told * scale + np.eye(n * points) / SD**2
        mean = np.zeros(layout.size)
        mean[own] = np.linalg.solve(precision[own, own], scale * seen)
        post = Posterior(mean, np.linalg.cholesky(precision).T, 0.0)
        found = strangeness.judged(layout, hyper, post, ahead=ahead)
        if found is None:
            variance = np.linalg.inv(precision[own, own]).diagonal() * scale**2
            return mean[own] * scale, variance, layout.terms[0].strange, rounds
        layout, factor = found
        now = np.repeat(np.sqrt(layout.terms[0].strange), points)
        np.testing.assert_allclose(factor[own], scale / now)
        rounds += 1


def by_quadrature(y: float, noise: float) -> tuple[float, float]:
    """Mean and standard deviation of an effect seen as ``y`` under the t itself."""
    w = np.linspace(-1.0, 1.0, 40_001)
    density = stats.t.pdf(w / SD, TAILS) * stats.norm.pdf(y, w, noise)
    density /= density.sum()
    mean = float(density @ w)
    return mean, float(np.sqrt(density @ (w - mean) ** 2))


@pytest.mark.parametrize("noise", [0.01, 0.03])
def test_a_lot_a_quarter_off_is_believed_and_a_common_one_drawn_in(noise):
    seen = np.array([0.01, -0.06, 0.30])
    layout = layout_of(LOT, len(seen))
    told = np.eye(len(seen)) / noise**2
    mean, variance, strange, _ = settled(layout, told, seen / noise**2, ahead=False)
    exact = np.array([by_quadrature(y, noise) for y in seen])
    np.testing.assert_allclose(mean, exact[:, 0], atol=0.25 * noise)
    np.testing.assert_allclose(np.sqrt(variance), exact[:, 1], rtol=0.15)
    assert strange[2] > 5 > 2 > strange[0]


def test_what_a_press_will_do_has_the_band_of_the_t_that_its_prints_leave():
    layout, nothing = layout_of(DRIFT, 2), np.zeros((2, 2))
    _, variance, strange, _ = settled(layout, nothing, np.zeros(2), ahead=True)
    np.testing.assert_allclose(strange, band_of(TAILS))
    within = stats.norm.ppf(0.95) * np.sqrt(variance)
    np.testing.assert_allclose(within, SD * stats.t.ppf(0.95, TAILS))
    for term, ahead in ((DRIFT, False), (LOT, True)):
        *_, strange, _ = settled(layout_of(term, 2), nothing, np.zeros(2), ahead=ahead)
        np.testing.assert_allclose(strange, 1.0)


def test_weights_that_no_print_tells_of_do_not_hold_a_press_back():
    """Of twenty weights one combination is told, and it is eight usual ones off."""
    way = np.full(20, 20**-0.5)
    told = np.outer(way, way) / (0.1 * SD) ** 2
    seen = told @ way * 8 * SD
    mean, _, strange, rounds = settled(layout_of(DRIFT, 1, 20), told, seen, ahead=False)
    assert rounds <= 5 and strange[0] > 10
    assert way @ mean == pytest.approx(8 * SD, rel=0.02)


@pytest.mark.parametrize("apart", [0.0, 2.0, 5.0, 12.0])
def test_what_is_believed_of_one_level_is_what_a_student_t_prior_leaves(apart):
    """Mean and variance by numerical integration (`scipy.integrate`)."""
    tails, usual, sd = 3.0, 0.03, 0.04
    measured = apart * sd

    def posterior(x):
        return stats.t.pdf(x, tails, scale=usual) * stats.norm.pdf(measured, x, sd)

    whole, mean, second = (
        integrate.quad(lambda x, k=k: x**k * posterior(x), -1, 2, points=[0, measured], limit=200)[
            0
        ]
        for k in range(3)
    )
    mean, second = mean / whole, second / whole
    one = np.ones((1, 1)) / sd**2
    found = strangeness.believed_of(one, one[0] * measured, np.array([usual**2]), tails)
    precision = found.information[0, 0] + 1 / (found.strange * usual**2)
    assert found.information[0, 0] >= 0
    assert found.told[0] / precision == pytest.approx(mean, rel=0.02, abs=1e-6)
    assert 1 / precision == pytest.approx(second - mean**2, rel=0.03)
