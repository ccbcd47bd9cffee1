"""Where a model errs: levels of ink, garment and so on, shrunk."""

import numpy as np

from learn.assessment.attribution import crossed_effects


def test_levels_are_shrunk_as_in_a_balanced_one_way_layout():
    """Searle, Casella & McCulloch 1992, sections 3.5 and 7.3 (from memory): effect variance
    (MSA - MSE) / n, shrinkage by n times it over itself plus noise."""
    rng = np.random.default_rng(3)
    levels, n = 25, 12
    code = np.repeat(np.arange(levels), n)
    y = 0.3 + rng.normal(0, 0.4, levels)[code] + rng.normal(0, 0.5, levels * n)
    cells = y.reshape(levels, n)
    msa = n * cells.mean(axis=1).var(ddof=1)
    mse = cells.var(axis=1, ddof=1).mean()
    keep = 1 - mse / msa
    expected = cells.mean() + keep * (cells.mean(axis=1) - cells.mean())
    (found,) = crossed_effects(y, [code], np.arange(len(y)))
    np.testing.assert_allclose(found.mean, expected, atol=0.01)


def test_two_unlucky_prints_do_not_make_the_worst_ink():
    rng = np.random.default_rng(4)
    ink = np.concatenate([np.repeat(np.arange(10), 40), [10, 10]])
    y = 0.1 + 0.5 * (ink == 3) + rng.normal(0, 0.4, len(ink))
    y[-2:] = 0.9  # a higher mean than that of ink 3
    (found,) = crossed_effects(y, [ink], np.arange(len(y)))
    assert found.mean.argmax() == 3
    assert found.sd[10] > 1.5 * found.sd[3]
