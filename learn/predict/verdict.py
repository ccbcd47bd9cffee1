"""From a predicted colour and its spread to a verdict: go, test, or change the set-up.

The predictive Lab is Gaussian, dE00 to a target is not: it is sampled, with the same
quasi-random draws for every set-up, so that verdicts are smooth in the inputs and the
same set-up always gets the same answer.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from learn.colour.colorimetry import delta_e00
from learn.predict.causes import Cause, Unseen
from learn.shop import ShopSettings

Array = NDArray[np.float64]

N_DRAWS = 512
BLOCK = 2000  # set-ups judged at a time, to bound memory
# Under this chance of being in tolerance the colour itself is wrong: no luck helps.
HOPELESS = 0.10


class Difference(NamedTuple):
    """dE00 between an uncertain print and a reference: median, 90 % interval, chance."""

    median: Array  # (n,)
    lo: Array  # (n,) 5 % quantile
    hi: Array  # (n,) 95 % quantile
    p_within: Array  # (n,) probability of lying within the tolerance


@lru_cache
def _draws(dimensions: int) -> Array:
    """Standard normal quasi-random draws (N_DRAWS, dimensions).

    Additive recurrence on the generalised golden ratio, the root of g^(d+1) = g + 1
    (Roberts 2018, "The unreasonable effectiveness of quasirandom sequences"; from memory).
    """
    g = 2.0
    for _ in range(60):
        g = (1 + g) ** (1 / (dimensions + 1))
    steps = g ** -np.arange(1.0, dimensions + 1)
    return ndtri((0.5 + np.arange(1, N_DRAWS + 1)[:, None] * steps) % 1.0)


def _root(covariance: Array) -> Array:
    """Symmetric square roots (n, 3, 3) of positive semi-definite covariances."""
    values, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :] @ vectors.transpose(0, 2, 1)


def difference(
    mean: Array,
    covariance: Array,
    reference: Array,
    tolerance: Array,
    reference_covariance: Array | None = None,
) -> Difference:
    """dE00 of prints N(mean, covariance) to references, which may be uncertain as well.

    Parameters
    ----------
    mean, reference : (n, 3) Lab
    covariance, reference_covariance : (n, 3, 3)
    tolerance : (n,) dE00
    """
    n = len(mean)
    out = np.empty((4, n))
    z = _draws(3 if reference_covariance is None else 6)
    for start in range(0, n, BLOCK):
        rows = slice(start, start + BLOCK)
        prints = mean[rows, None] + z[:, :3] @ _root(covariance[rows]).transpose(0, 2, 1)
        target = reference[rows, None]
        if reference_covariance is not None:
            spread = _root(reference_covariance[rows]).transpose(0, 2, 1)
            target = target + z[:, 3:] @ spread
        target = np.broadcast_to(target, prints.shape)
        dE = delta_e00(prints, target)
        out[:3, rows] = np.quantile(dE, [0.5, 0.05, 0.95], axis=1)
        out[3, rows] = (dE <= tolerance[rows, None]).mean(axis=1)
    return Difference(*out)


class Facts(NamedTuple):
    """What the verdicts on n set-ups rest on, each on one garment or on several at once."""

    p: Array  # (n,) chance of the next prints to lie within the tolerance, all of them
    p_steady: Array  # (n,) the same if all was known and the scatter of prints alone were left
    off_dE00: Array  # (n,) predicted print to target, the worst; 0 without a target
    tolerance_dE00: Array  # (n,)
    aimed: NDArray[np.bool_]  # (n,) whether there is a target; else near the prediction is meant
    unseen: Sequence[Collection[Unseen]]  # n


def chance_needed(settings: ShopSettings) -> float:
    """Chance of being in tolerance from which a set-up goes straight to production.

    With both costs known, where the expected cost of a spoiled run falls to that of a
    test print; otherwise the shop's confidence.
    """
    test, spoiled = settings.cost_test_print, settings.cost_spoiled_print
    if test is None or spoiled is None:
        return settings.confidence
    return max(0.0, 1 - test / spoiled) if spoiled > 0 else 0.0


def ask_for_test(p_within: Array, settings: ShopSettings) -> NDArray[np.bool_]:
    """Whether set-ups with these chances of being in tolerance want a test print."""
    return p_within < chance_needed(settings)


def causes(facts: Facts, settings: ShopSettings) -> Array:
    """The `Cause` (n,) of the verdict on each set-up; ``Cause.verdict`` is what follows.

    The one place where it is decided, for predictions, plans, mixes and test prints alike.
    What is predicted beyond its tolerance never goes, whatever the costs; it is tested only
    where nothing like it was seen and there is some chance yet.
    """
    unseen = np.array([len(one) > 0 for one in facts.unseen], bool)
    beyond = facts.aimed & (facts.off_dE00 > facts.tolerance_dE00)
    close = facts.aimed & (facts.off_dE00 > facts.tolerance_dE00 / 2)
    sure = ~ask_for_test(facts.p, settings) & ~beyond
    scatters = ask_for_test(facts.p_steady, settings)
    order = {
        Cause.MISSES: beyond & (~unseen | (facts.p < HOPELESS)),
        Cause.SURE: sure & facts.aimed,
        Cause.NO_TARGET: sure,
        Cause.UNSEEN: unseen,
        Cause.NEAR_LIMIT: scatters & close,
        Cause.UNEVEN: scatters,
        Cause.UNSURE: np.ones(len(unseen), bool),
    }
    first = np.argmax(list(order.values()), axis=0)
    return np.array(list(order), object)[first]


def judge(
    mean: Array,
    covariance: Array,
    noise: Array,
    bucket: Array,
    bucket_covariance: Array,
    setups: pd.DataFrame,
    unseen: Sequence[Collection[Unseen]],
    settings: ShopSettings,
) -> pd.DataFrame:
    """Differences, probabilities and verdicts of n set-ups.

    Parameters
    ----------
    mean, covariance : (n, 3), (n, 3, 3) of the next print's measured Lab
    noise : (n, 3, 3) the part of ``covariance`` that no knowledge removes
    bucket, bucket_covariance : (n, 3), (n, 3, 3) of the ink at full hiding
    setups : frame with ``setup_id`` and optionally target_L, target_a, target_b,
        tolerance_dE00; without a target the print is held against its own prediction
    unseen : what about each set-up was never seen; empty where all was

    Returns
    -------
    frame of the differences and ``p_in_tolerance`` of a prediction, ``verdict`` and ``cause``
    (`learn.predict.causes`), and what a sentence about them tells: ``off_dE00`` from the target
    (NaN without one), ``within_dE00`` of target or prediction 19 of 20 prints lie,
    ``tolerance_dE00``, ``aimed``, ``unseen``.
    """
    n = len(setups)
    target = setups.reindex(columns=["target_L", "target_a", "target_b"]).to_numpy(float)
    tolerance = setups.reindex(columns=["tolerance_dE00"]).to_numpy(float)[:, 0]
    tolerance = np.where(np.isnan(tolerance), settings.tolerance_dE00, tolerance)
    aimed = np.isfinite(target).all(axis=1)
    aim = np.where(aimed[:, None], target, mean)
    to_bucket = difference(mean, covariance, bucket, tolerance, bucket_covariance)
    to_aim = difference(mean, covariance, aim, tolerance)
    by_noise = difference(mean, noise, aim, tolerance)
    off = delta_e00(mean, aim)
    facts = Facts(to_aim.p_within, by_noise.p_within, off, tolerance, aimed, unseen)
    cause = causes(facts, settings)
    known = {
        name: np.where(aimed, getattr(to_aim, name), np.nan) for name in ("median", "lo", "hi")
    }
    return pd.DataFrame(
        {
            "shift_dE00": to_bucket.median,
            "shift_lo": to_bucket.lo,
            "shift_hi": to_bucket.hi,
            "target_dE00": known["median"],
            "target_lo": known["lo"],
            "target_hi": known["hi"],
            "p_in_tolerance": to_aim.p_within,
            "verdict": [one.verdict for one in cause],
            "cause": cause,
            "off_dE00": np.where(aimed, off, np.nan),
            "within_dE00": to_aim.hi,
            "tolerance_dE00": tolerance,
            "aimed": aimed,
            "unseen": pd.Series(list(unseen), dtype=object, index=range(n)),
        }
    )
