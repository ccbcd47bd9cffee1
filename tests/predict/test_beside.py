"""Which of several set-ups comes nearest: chances over what they err in together."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from learn.gp.covariance import Belief
from learn.predict.beside import beside
from tests.small_demo import next_prints, small_model


class Told:
    """A model that believes of set-ups what it is told to."""

    def __init__(self, mean: np.ndarray, unknown: np.ndarray) -> None:
        n = len(mean)
        self.belief = Belief(mean, unknown.reshape(n, 3, n, 3), np.zeros((n, 3, 3)))

    def between(self, setups: pd.DataFrame) -> Belief:
        return self.belief

    def as_told(self, known: Belief, setups: pd.DataFrame) -> Belief:
        return known


GREY = np.array([[50.0, 0, 0], [51.0, 0, 0]])
AIMED = pd.DataFrame({"ink_id": ["R", "R"], "target_L": 48.0, "target_a": 0.0, "target_b": 0.0})


def test_what_set_ups_err_in_together_does_not_blur_which_is_nearer():
    """Two exact limits: one error for both leaves their order; errors of their own are even."""
    own = np.diag([1e-6, 0.01, 0.01])
    together = beside(Told(GREY, np.kron(np.ones((2, 2)), own)), AIMED)
    assert together.nearest.tolist() == [1, 0]
    alike = Told(np.repeat(GREY[:1], 2, axis=0), np.kron(np.eye(2), np.diag([1.0, 0, 0])))
    assert beside(alike, AIMED).nearest == pytest.approx([0.5, 0.5], abs=0.05)
    assert together.furthest.tolist() == [[0, 1], [0, 0]]


def test_without_targets_buckets_count_and_every_chance_adds_up():
    three = next_prints().iloc[[0, 0, 0]].assign(substrate_id=["G01", "G02", "G04"])
    bare = {"underbase_ink_id": None, "underbase_mesh_id": None, "underbase_strokes": np.nan}
    found = beside(small_model(), three.assign(ink_id="C24", ink_lot=None, **bare))
    assert found.nearest.sum() == pytest.approx(1)
    assert found.furthest.sum() == pytest.approx(1)
    assert np.tril(found.furthest).sum() == 0
    assert found.nearest[1] < 0.01  # a white ink on black


def test_no_one_is_surely_nearest_with_what_waits_for_a_decision():
    setups = next_prints().head(2).reset_index(drop=True)
    setups = pd.concat([setups.head(1)] * 2, ignore_index=True).assign(press_id=["P1", "P2"])
    mean = small_model().means(setups)
    setups[["target_L", "target_a", "target_b"]] = mean[[0, 0]]
    waiting = small_model().waiting_for({("era", "P1"): (9.0, -7.0, 6.0)})
    was, now = (beside(model, setups).nearest[0] for model in (small_model(), waiting))
    assert now < 0.4 < was
    told, wide = (m.as_told(m.between(setups), setups) for m in (small_model(), waiting))
    np.testing.assert_allclose(wide.of(np.array([1])).unknown, told.of(np.array([1])).unknown)
    said = waiting.predict_lab(setups)
    np.testing.assert_allclose(wide.own() + wide.scatter, said.covariance, rtol=1e-6, atol=1e-6)
