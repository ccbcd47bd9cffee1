"""The search over set-ups against all of them."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

from learn.colour.colorimetry import delta_e00
from learn.planning.search import search
from learn.predict.garments import on_garments
from tests.small_demo import GARMENTS, small_model


def test_the_search_finds_what_brute_force_finds(grid):
    target = np.array([33.0, 55.0, 28.0])
    scored = search(small_model(), grid, target, GARMENTS, 2.0)
    everything = grid.setups(np.arange(len(grid)))
    lab = small_model().predict_lab(on_garments(everything, GARMENTS)).mean
    dE = delta_e00(lab, target).reshape(len(grid), -1)
    alike = scored.based.all(axis=1) | ~scored.based.any(axis=1)
    assert_allclose(scored.dE[alike], dE[scored.numbers[alike]], atol=1e-6)
    best = np.sort(dE.max(axis=1))[:10]
    assert_allclose(np.sort(scored.dE[alike].max(axis=1))[:10], best, atol=1e-6)
