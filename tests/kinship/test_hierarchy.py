"""What plants say of an ink, against one normal law of all plants written out."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from learn.kinship.hierarchy import (
    Believed,
    Said,
    between,
    disagreement,
    joined,
    message,
)

J = 3
PRIOR = 0.5  # variance of a latent before any print
NO_DIFFERENCE = Believed(np.zeros(J), np.zeros((J, J)))


def said_by(rng: np.random.Generator, x: NDArray, n: int = 8) -> Said:
    """What n readings of three mixtures of the latents say, noise 0.1."""
    H = rng.normal(size=(n, J))
    y = H @ x + 0.1 * rng.normal(size=n)
    return Said(H.T @ H / 0.01, H.T @ y / 0.01)


def belief(said: Said, prior: float = PRIOR) -> Believed:
    covariance = np.linalg.inv(said.information + np.eye(J) / prior)
    return Believed(covariance @ said.told, covariance)


def test_a_plant_alike_in_all_is_as_good_as_its_prints():
    """Least squares over all readings at once (numpy.linalg.lstsq), the prior among them."""
    rng = np.random.default_rng(1)
    x = rng.normal(size=J)
    H = rng.normal(size=(20, J))
    y = H @ x + 0.1 * rng.normal(size=20)
    here, there = slice(0, 4), slice(4, 20)

    def of(rows: slice) -> Said:
        return Said(H[rows].T @ H[rows] / 0.01, H[rows].T @ y[rows] / 0.01)

    own = belief(of(here))
    told = message([(of(there), NO_DIFFERENCE, np.zeros((J, J)))], np.zeros((J, J)))
    mean, covariance = joined(*own, slice(0, J), told)
    whole = np.vstack([H / 0.1, np.eye(J) / np.sqrt(PRIOR)])
    expected = np.linalg.lstsq(whole, np.append(y / 0.1, np.zeros(J)))[0]
    np.testing.assert_allclose(mean, expected, rtol=1e-9)
    np.testing.assert_allclose(covariance, np.linalg.inv(whole.T @ whole), rtol=1e-9)


def test_the_wider_the_less_is_said():
    said = said_by(np.random.default_rng(2), np.ones(J))
    sizes = [
        np.linalg.norm(
            message([(said, NO_DIFFERENCE, v * np.eye(J))], np.zeros((J, J))).information
        )
        for v in (0.0, 0.1, 1.0, 1e3, 1e12)
    ]
    assert (np.diff(sizes) < 0).all()
    assert sizes[-1] < 1e-9 * sizes[0]


def test_difference_in_all_inks_is_learnt_as_one_normal_law_has_it():
    """Two plants, four inks: x_s = x + b + o. Conditioned in one go (Rasmussen & Williams 2006,
    A.6) against ink by ink."""
    rng = np.random.default_rng(3)
    apart, differ, inks = 0.04, 0.25, 4
    b = np.array([0.5, -0.3, 0.2])
    x = rng.normal(size=(inks, J))
    there = [said_by(rng, one + b + np.sqrt(2 * apart) * rng.normal(size=J)) for one in x]
    here = [said_by(rng, one, 5) for one in x]
    here[0] = Said(np.zeros((J, J)), np.zeros(J))  # never printed here

    own = {str(k): belief(said) for k, said in enumerate(here)}
    their = {str(k): said for k, said in enumerate(there)}
    found = between(their, own, dict.fromkeys(own, 2 * apart * np.eye(J)), np.full(J, differ))
    told = message([(their["0"], found.without("0"), apart * np.eye(J))], apart * np.eye(J))
    mean, covariance = joined(*own["0"], slice(0, J), told)

    # unknowns: x of all inks, b, and the latents of all inks at the other plant
    n = J * inks
    onto = np.block([np.eye(n), np.tile(np.eye(J), (inks, 1)), np.eye(n)])  # x_s = x + b + o
    prior = np.diag(np.repeat([PRIOR, differ, 2 * apart], [n, J, n]))
    precision, vector = np.linalg.inv(prior), np.zeros(len(prior))
    for k in range(inks):
        at = slice(J * k, J * (k + 1))
        precision[at, at] += here[k].information
        vector[at] += here[k].told
        precision += onto[at].T @ there[k].information @ onto[at]
        vector += onto[at].T @ there[k].told
    expected = np.linalg.inv(precision)
    np.testing.assert_allclose(mean, (expected @ vector)[:J], rtol=1e-6)
    np.testing.assert_allclose(covariance, expected[:J, :J], rtol=1e-6)


@pytest.mark.parametrize("n", [2, 3])
def test_plants_alike_among_themselves_do_not_outvote_what_the_told_one_has_of_its_own(n):
    """However many say the same, what an ink has of its own here stays unknown."""
    exact = Said(np.eye(J) * 1e9, np.full(J, 1e9))
    apart = 0.04 * np.eye(J)
    told = message([(exact, NO_DIFFERENCE, apart)] * n, apart)
    expected = 0.04 + 0.04 / n
    np.testing.assert_allclose(np.diag(told.information), 1 / expected, rtol=1e-6)


def test_another_ink_of_the_same_name_is_far_from_what_is_expected():
    rng = np.random.default_rng(4)
    near, far = [], []
    for _ in range(40):
        x = rng.normal(size=J)
        own = belief(said_by(rng, x))
        for shift, out in ((0.0, near), (1.0, far)):
            said = said_by(rng, x + shift)
            squared, degrees = disagreement(said, own)
            assert degrees == J
            out.append(squared)
    assert np.median(near) == pytest.approx(2.37, abs=1.2)  # the middle of chi-square with 3
    assert min(far) > 100
