"""Shares with honest intervals; stated chances against what came."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest

from learn.assessment.reliability import (
    binomial_band,
    brier,
    grouped_share,
    pseudo_targets,
    reliability,
    wilson,
)
from learn.colour.colorimetry import delta_e00
from learn.predict.verdict import difference
from tests.published import table


def test_share_intervals_are_wilsons():
    """scipy's binomtest computes the same score interval independently."""
    for hits, n in ((0, 20), (9, 10), (45, 50), (300, 300)):
        theirs = binomtest(hits, n).proportion_ci(method="wilson")
        np.testing.assert_allclose(wilson(hits / n, n), theirs, atol=1e-12)


def test_honest_bands_are_the_published_binomial_ones():
    for row in table("coverage90_binomial_bands").itertuples():
        band = binomial_band(row.n_test)
        np.testing.assert_allclose(band, (row.accept_low_frac, row.accept_high_frac))


def test_prints_that_err_together_count_once():
    rng = np.random.default_rng(0)
    hit = rng.random(200) < 0.9
    alone = grouped_share(hit, np.arange(200))
    assert alone.trials == pytest.approx(200, rel=0.03)
    copied = grouped_share(np.repeat(hit, 7), np.repeat(np.arange(200), 7))
    np.testing.assert_allclose(copied, alone)
    held, width = [], []
    for _ in range(400):  # groups whose own share varies: the interval must still hold 95 %
        own = rng.beta(9, 1, 30)
        group = np.repeat(np.arange(30), 12)
        share = grouped_share(rng.random(360) < own[group], group)
        held.append(share.lo <= 0.9 <= share.hi)
        width.append(share.hi - share.lo)
    assert 0.92 < np.mean(held) < 0.985
    # a group's mean has variance 0.09 / 11 + 0.09 x 10 / 11 / 12 (beta 9, 1; 12 trials): sd of 30
    by_hand = 2 * 1.96 * np.sqrt((0.09 / 11 + 0.09 * 10 / 11 / 12) / 30)
    assert np.mean(width) == pytest.approx(by_hand, rel=0.1)


def stated_and_came(confidence: float) -> pd.DataFrame:
    """Reliability of a simulated forecaster that believes its sd to be 1 / confidence of true."""
    rng = np.random.default_rng(2)
    n = 600
    mean = np.column_stack([rng.uniform(25, 90, n), *rng.uniform(-50, 50, (2, n))])
    root = rng.normal(0, 0.5, (n, 3, 3)) + 0.6 * np.eye(3)
    true = root @ root.transpose(0, 2, 1)
    measured = mean + np.einsum("nij,nj->ni", root, rng.standard_normal((n, 3)))
    believed = true / confidence**2
    aim = pseudo_targets(mean, believed, 2.0)
    each = np.repeat(np.arange(n), aim.shape[1])
    aim = aim.reshape(-1, 3)
    limit = np.full(len(each), 2.0)
    stated = difference(mean[each], believed[each], aim, limit, steady=True).p_within
    return reliability(stated, delta_e00(measured[each], aim) <= 2.0, each)


def test_honest_chances_come_out_reliable_and_overconfident_ones_do_not():
    honest = stated_and_came(1.0)
    assert len(honest) == 10  # made-up targets reach all chances
    assert honest["holds"].sum() >= 9
    bold = stated_and_came(2.0)
    assert bold["holds"].sum() <= 6
    assert not bold["holds"].iloc[[0, -1]].any()  # too sure of missing and too sure of hitting
    assert (bold["observed"] - bold["stated"]).iloc[-1] < -0.05


def test_brier_score_of_a_coin_and_of_a_prophet():
    """Brier 1950: 0.25 for always one half, 0 for always right."""
    came = np.array([1.0, 0, 1, 0])
    assert brier(np.full(4, 0.5), came) == 0.25
    assert brier(came, came) == 0
