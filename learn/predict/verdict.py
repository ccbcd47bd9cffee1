"""From a predicted colour and its spread to a verdict: straight to production, or test.

The predictive Lab is Gaussian, dE00 to a target is not: it is sampled, with the same
quasi-random draws for every set-up, so that verdicts are smooth in the inputs and the
same set-up always gets the same answer.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from learn.colour.colorimetry import delta_e00
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


def judge(
    mean: Array,
    covariance: Array,
    noise: Array,
    bucket: Array,
    bucket_covariance: Array,
    setups: pd.DataFrame,
    unlike: list[str],
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
    unlike : what about each set-up was never seen, in words; empty where all was
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
    misses = aimed & (off > tolerance) & (to_aim.p_within < HOPELESS)
    test = ask_for_test(to_aim.p_within, settings) | misses
    reasons = [
        _reason(
            p_noise=by_noise.p_within[i],
            off=off[i],
            hi=to_aim.hi[i],
            tolerance=tolerance[i],
            aimed=bool(aimed[i]),
            misses=bool(misses[i]),
            test=bool(test[i]),
            unlike=unlike[i],
            needed=chance_needed(settings),
        )
        for i in range(n)
    ]
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
            "test_print": np.where(test, "yes", "no"),
            "reason": reasons,
        }
    )


def _reason(
    *,
    p_noise: float,
    off: float,
    hi: float,
    tolerance: float,
    aimed: bool,
    misses: bool,
    test: bool,
    unlike: str,
    needed: float,
) -> str:
    goal = "the target" if aimed else "this prediction"
    if misses:
        return (
            f"misses: predicted {off:.1f} dE00 from the target (tolerance {tolerance:g}); "
            "change the set-up or the ink, a test print will not help"
        )
    if not test:
        note = f", although {unlike}" if unlike else ""
        return (
            f"go: 19 of 20 such prints fall within {hi:.1f} dE00 of {goal}, "
            f"tolerance {tolerance:g}{note}"
        )
    if unlike:
        return f"nothing like it seen: {unlike}; a test print will tell"
    if p_noise < needed:
        if aimed and off > tolerance / 2:
            return (
                f"too near the limit: predicted {off:.1f} dE00 from the target, and prints of one "
                f"set-up scatter; bring the colour closer, a test print alone will not help"
            )
        return (
            "too uneven: prints of one set-up scatter by about the tolerance; steady the press "
            "or agree a wider tolerance"
        )
    return (
        f"too unsure: up to {hi:.1f} dE00 from {goal} is possible (tolerance {tolerance:g}); test"
    )
