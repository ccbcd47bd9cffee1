"""From a predicted colour and its spread to a verdict: go, test, or change the set-up."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.difference import difference, far_ends
from learn.normal import Z90, sd_of
from learn.predict.causes import ENDS, Cause, Unseen
from learn.predict.protocol import Prediction
from learn.shop import ShopSettings

Array = NDArray[np.floating]

# Under this share of the chance it would have were its prediction on the target, the colour itself
# is wrong: no luck helps.
HOPELESS = 0.10
# What is not known of a colour turns out so many sd for the better, or more, three times in ten: as
# well as that a test print is worth hoping for.
LUCK = 0.5


class Facts(NamedTuple):
    """What the verdicts on n set-ups rest on, each on one garment or on several at once."""

    p: Array  # (n,) chance of the next prints to lie within the tolerance, all of them
    # (n,) the same were all known, and well enough (`hoped_for`): the scatter of prints is left
    p_steady: Array
    # (n,) the same were the prediction on the target, of what may be hopeless; 0: nobody can say
    p_on_target: Array
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


def wants_test(facts: Facts, settings: ShopSettings) -> NDArray[np.bool_]:
    """Whether set-ups want a test print, by their chances or whatever these say."""
    unproven = np.array([any(u.wants_test for u in some) for some in facts.unseen], bool)
    return ask_for_test(facts.p, settings) | unproven


def _no_ground(facts: Facts) -> NDArray[np.bool_]:
    """Where chances rest on what is wrong, or on nothing."""
    return np.array([any(u.no_ground for u in some) for some in facts.unseen], bool)


def may_be_hopeless(
    off_dE00: Array, tolerance_dE00: Array, unseen: Sequence[Collection[Unseen]]
) -> NDArray[np.intp]:
    """Set-ups that `causes` calls hopeless or not: new ones, predicted beyond their tolerance."""
    new = np.array([len(one) > 0 for one in unseen], bool)
    return np.flatnonzero(new & (off_dE00 > tolerance_dE00))


def within_reach(mean: Array, variance: Array, target: Array) -> NDArray[np.bool_]:
    """Whether targets (n, c) lie within the 90 % band of each number, whatever all of them make
    likely together: bands so wide are no ground to call them hopeless."""
    return np.asarray((np.abs(target - mean) <= Z90 * np.sqrt(variance)).all(axis=1), bool)


def hoped_for(mean: Array, unknown: Array, aim: Array) -> Array:
    """Colours (n, c), in c numbers each, where prints of ``mean`` (n, c) may turn out to lie once
    all that is ``unknown`` (n, c, c) is known: as far towards their ``aim`` (n, c) as it is worth
    a test print to see, and no farther than that."""
    way = aim - mean
    moved = (unknown @ way[..., None])[..., 0]
    along = np.sqrt(np.maximum((way * moved).sum(axis=1), 1e-12))
    share = np.minimum(LUCK, (way**2).sum(axis=1) / along)
    out: Array = mean + (share / along)[:, None] * moved
    return out


def causes(facts: Facts, settings: ShopSettings) -> Array:
    """The `Cause` (n,) of the verdict on each set-up; ``Cause.verdict`` is what follows.

    The one place where it is decided, for predictions, plans, mixes and test prints alike.
    What is predicted beyond its tolerance never goes, whatever the costs; it is tested only
    where nothing like it was seen and there is some chance yet: a wide band alone, which makes
    every chance small, is no reason to give it up. Nor does an ink or a garment of
    which the little that was printed does not fit all else: one is wrong, and chances rest on both;
    nor an ink of which nothing is measured and nothing printed.
    """
    unseen = np.array([len(one) > 0 for one in facts.unseen], bool)
    hopeless = (facts.p < HOPELESS * facts.p_on_target) & ~_no_ground(facts)
    beyond = facts.aimed & (facts.off_dE00 > facts.tolerance_dE00)
    close = facts.aimed & (facts.off_dE00 > facts.tolerance_dE00 / 2)
    sure = ~wants_test(facts, settings) & ~beyond
    scatters = ask_for_test(facts.p_steady, settings)
    order = {
        Cause.MISSES: beyond & (~unseen | hopeless),
        Cause.SURE: sure & facts.aimed,
        Cause.NO_TARGET: sure,
        Cause.UNSEEN: unseen,
        Cause.NEAR_LIMIT: scatters & close,
        Cause.UNEVEN: scatters,
        Cause.UNSURE: np.ones(len(unseen), bool),
    }
    first = np.argmax(list(order.values()), axis=0)
    return np.array(list(order), object)[first]


def judged(
    setups: pd.DataFrame,
    predicted: Prediction,
    buckets: tuple[Array, Array],
    unseen: Sequence[Collection[Unseen]],
    settings: ShopSettings,
) -> pd.DataFrame:
    """The table of predictions, a row a set-up: its name, colour, bands, bucket, verdict, and the
    two most different colours of its 90 % band, the darker first (`ENDS`).

    ``buckets``: Lab (n, 3) and covariance (n, 3, 3) of each set-up's ink at full hiding; the rest
    as :func:`judge` takes it.
    """
    p = predicted
    found = judge(p.mean, p.covariance, p.noise, *buckets, setups, unseen, settings)
    colours = pd.DataFrame(
        np.hstack([p.mean, sd_of(p.covariance), buckets[0]]),
        columns=[*"Lab", "L_sd", "a_sd", "b_sd", "bucket_L", "bucket_a", "bucket_b"],
    )
    ends = pd.DataFrame(
        far_ends(p.mean, p.covariance).reshape(-1, 6),
        columns=[end + c for end in ENDS for c in "Lab"],
    )
    return pd.concat([setups[["setup_id"]], colours, found, ends], axis=1)


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
    (`learn.predict.causes`), and what a sentence about them tells: ``within_dE00`` of target or
    prediction 19 of 20 prints lie, ``tolerance_dE00``, ``aimed``, ``unseen``.
    """
    n = len(setups)
    target = setups.reindex(columns=["target_L", "target_a", "target_b"]).to_numpy(float)
    tolerance = setups.reindex(columns=["tolerance_dE00"]).to_numpy(float)[:, 0]
    tolerance = np.where(np.isnan(tolerance), settings.tolerance_dE00, tolerance)
    aimed = np.isfinite(target).all(axis=1)
    aim = np.where(aimed[:, None], target, mean)
    to_bucket = difference(mean, covariance, bucket, tolerance, bucket_covariance)
    to_aim = difference(mean, covariance, aim, tolerance)
    hoped = hoped_for(mean, covariance - noise, aim)
    by_noise = difference(hoped, noise, aim, tolerance, steady=True)
    off = to_aim.expected
    at = may_be_hopeless(off, tolerance, unseen)
    p_on_target = np.ones(n)
    p_on_target[at] = difference(mean[at], covariance[at], mean[at], tolerance[at]).p_within
    p_on_target[at[within_reach(mean[at], sd_of(covariance[at]) ** 2, aim[at])]] = 0.0
    facts = Facts(to_aim.p_within, by_noise.p_within, p_on_target, off, tolerance, aimed, unseen)
    cause = causes(facts, settings)
    known = {
        name: np.where(aimed, getattr(to_aim, name), np.nan) for name in ("expected", "lo", "hi")
    }
    return pd.DataFrame(
        {
            "shift_dE00": to_bucket.expected,
            "shift_lo": to_bucket.lo,
            "shift_hi": to_bucket.hi,
            "target_dE00": known["expected"],
            "target_lo": known["lo"],
            "target_hi": known["hi"],
            "p_in_tolerance": to_aim.p_within,
            "verdict": [one.verdict for one in cause],
            "cause": cause,
            "within_dE00": to_aim.hi,
            "tolerance_dE00": tolerance,
            "aimed": aimed,
            "unseen": pd.Series(list(unseen), dtype=object, index=range(n)),
        }
    )
