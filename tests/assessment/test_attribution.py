"""Where a model errs: levels of ink, garment and so on, shrunk."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from learn.assessment.attribution import crossed_effects, seen
from learn.assessment.cross_validation import Forecasts


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


def test_an_ink_of_one_job_is_no_fault_of_press_or_garment():
    """Predicted without its job it was never printed: far off, for no other reason."""
    ink = np.repeat(["red", "blue", "green"], [20, 20, 2])
    setups = pd.DataFrame({"ink": ink, "substrate": "tee", "mesh": "43"})
    setups["era"] = np.where(ink == "green", "hand", np.tile(["hand", "auto"], 21))
    measured = np.tile([50.0, 0, 0], (42, 1))
    mean = measured + np.where(ink == "green", 20.0, 0.3)[:, None] * [1, 0, 0]
    covariance = np.tile(0.01 * np.eye(3), (42, 1, 1))
    group = np.append(np.repeat(np.arange(10), 4), [10, 10])
    at = np.arange(42)
    forecasts = Forecasts("job", at, group, measured, mean, covariance, covariance, mean, None)
    changes = pd.DataFrame({"press_id": [], "changed_on": pd.to_datetime([])})
    model = SimpleNamespace(
        history=lambda: SimpleNamespace(X=setups), encoder_=SimpleNamespace(changes=changes)
    )
    found = seen(model, forecasts).set_index(["factor", "level"])["beyond"]
    assert found["ink", "green"] > 10
    assert found.drop(("ink", "green")).max() < 0.5
    once = seen(model, Forecasts("job", at[-2:], *(x[-2:] for x in (
        group, measured, mean, covariance, covariance, mean)), None))  # fmt: skip
    assert once.set_index("factor")["beyond"].isna().to_dict() == {
        "ink": False, "garment": True, "press": True, "mesh": True}  # fmt: skip
