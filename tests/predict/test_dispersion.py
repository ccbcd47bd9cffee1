"""Factors on bands by situation: conformal prediction, Monte Carlo and draws of known scale."""

import numpy as np
import pytest
from crepes import ConformalRegressor
from scipy.stats import norm

from learn.normal import Z90
from learn.predict import dispersion
from learn.predict.dispersion import Errors, Scale


def errors(rng, groups, prints, scale, shared=0.3):
    """Standardised errors of groups that share some of their error."""
    common = rng.standard_normal((groups, 1, 3))
    own = rng.standard_normal((groups, prints, 3))
    z = scale * (np.sqrt(shared) * common + np.sqrt(1 - shared) * own)
    return Errors(z.reshape(-1, 3), np.repeat(np.arange(groups), prints))


def factors(seen, asked):
    """Without the allowance, for which nothing in a simulation stands."""
    found = dispersion.factors(seen, asked)
    groups = np.array([len(np.unique(seen[s].group)) if s in seen else 0 for s in asked])
    return {s: found[s] / a for s, a in zip(asked, dispersion.allowance(groups), strict=True)}


def test_many_prints_give_the_intervals_of_mondrian_conformal_regression():
    """Split conformal prediction by category, which knows no model: Vovk, Gammerman & Shafer
    2005, "Algorithmic Learning in a Random World", 4.5. Student's t has no normal quantile."""
    rng = np.random.default_rng(0)
    scales = {"job": 1.0, "mesh": 0.6, "press": 1.7}
    seen = {
        name: Errors(scale * rng.standard_t(4, (3000, 3)), np.arange(3000))
        for name, scale in scales.items()
    }
    found = factors(seen, list(seen))
    names = np.repeat(list(seen), 9000)
    conformal = ConformalRegressor().fit(
        np.concatenate([one.z.ravel() for one in seen.values()]), bins=names
    )
    asked = np.array(list(seen))
    intervals = conformal.predict_int(np.zeros(3), bins=asked, confidence=0.9)
    for name, interval in zip(asked, intervals, strict=True):
        assert Z90 * found[name] == pytest.approx(interval[1], rel=0.03)


def test_what_is_believed_against_monte_carlo():
    """Draws from the prior, weighed by what was seen of them."""
    scales = {"job": Scale(0.1, 0.03), "mesh": Scale(-0.3, 0.15), "press": Scale(0.4, 0.4)}
    rng = np.random.default_rng(1)
    n = 400_000
    common = dispersion.COMMON_SD * rng.standard_normal((n, 1))
    apart = np.abs(dispersion.APART_SD * rng.standard_normal((n, 1)))
    log = common + apart * rng.standard_normal((n, 4))
    weight = np.prod([norm.pdf(s.log, log[:, i], s.sd) for i, s in enumerate(scales.values())], 0)
    found = dispersion.upper(scales, [*scales, "never left out"])
    for i, one in enumerate(found):
        below = weight[log[:, i] <= one].sum() / weight.sum()
        assert below == pytest.approx(dispersion.CAREFUL, abs=0.02)


@pytest.mark.parametrize(("groups", "prints"), [(3, 30), (8, 10), (40, 6)])
def test_what_a_situation_says_is_as_vague_as_it_is_told(groups, prints):
    """The errors of one garment are alike: a hundred prints on three say what a few do."""
    rng = np.random.default_rng(2)
    found = [dispersion.scale(errors(rng, groups, prints, 1.0)) for _ in range(150)]
    logs, told = np.array(found).T
    assert abs(logs.mean()) < 0.03
    assert 0.8 < np.median(told) / logs.std() < 2.2


@pytest.mark.parametrize("groups", [1, 2, 4, 20])
def test_bands_of_new_groups_hold(groups):
    """Shops of known scales; whether bands of groups to come hold, on average over shops."""
    rng = np.random.default_rng(groups)
    held = []
    for _ in range(60):
        job, mesh = np.exp(rng.normal(0, 0.15, 2))
        seen = {"job": errors(rng, 60, 3, job), "mesh": errors(rng, groups, 15, mesh)}
        factor = factors(seen, ["mesh"])["mesh"]
        held.append(2 * norm.cdf(Z90 * factor / mesh) - 1)
    assert 0.89 < np.mean(held) < 0.95
    assert np.mean(np.array(held) < 0.8) < 0.1


def test_few_groups_widen_and_many_earn_narrow_bands():
    """The same errors, in few groups or many; at 0.6 of what was told, bands may be narrow."""
    rng = np.random.default_rng(3)
    mesh = errors(rng, 30, 12, 0.6)
    merged = Errors(mesh.z, mesh.group // 10)
    seen = {"job": errors(rng, 200, 3, 1.0)}
    many, few, none = (
        factors(seen | more, ["mesh"])["mesh"] for more in ({"mesh": mesh}, {"mesh": merged}, {})
    )
    assert many == pytest.approx(0.63, abs=0.06)
    assert many < few < none
    assert 1.0 < none < 1.3


def test_without_any_errors_the_prior_stands():
    assert 1.1 < factors({}, ["press"])["press"] < 1.4
    assert dispersion.factor(Errors(np.zeros((0, 3)), np.zeros(0, int))) > 1.1


def test_groups_of_different_parts_are_different():
    """The low end of a setting and the high end of another are two groups."""
    z = np.ones((4, 3))
    found = dispersion.pooled([Errors(z, np.array([0, 0, 1, 1])), Errors(2 * z, np.zeros(4, int))])
    np.testing.assert_array_equal(found.group, [0, 0, 1, 1, 2, 2, 2, 2])
    np.testing.assert_array_equal(found.z[4:], 2 * z)
