"""The search over set-ups against all of them."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

from learn.colour.colorimetry import delta_e00
from learn.planning.search import MARGIN, search
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


def test_what_many_reach_on_dark_cloth_is_not_lost_on_light(grid):
    """Near black anything thin lands on black cloth; what can matter on white as well is all found,
    with base and without, each garment as it is better."""
    target, tolerance = np.array([22.0, 8.0, 2.0]), 6.0
    garments = ["G02", "G01", "G04"]
    found = search(small_model(), grid, target, garments, tolerance)
    lab = small_model().means(on_garments(grid.setups(np.arange(len(grid))), garments))
    dE = delta_e00(lab, target).reshape(len(grid), -1)
    bare = dE[np.arange(len(grid)) // len(grid.bases) * len(grid.bases)]
    worst = np.minimum(dE, bare).max(axis=1)
    limit = max(tolerance + MARGIN, np.sort(worst)[0])
    assert set(np.flatnonzero(worst <= limit)) <= set(found.numbers)
