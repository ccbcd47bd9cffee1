"""What a decision is expected to cost: print at once, or pull a test print first."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.predict.verdict import Facts, causes, wants_test
from learn.shop import ShopSettings

Array = NDArray[np.floating]


class Decision(NamedTuple):
    """n set-ups: what to do, what it is expected to cost, and where that would change."""

    verdict: NDArray  # (n,) `learn.predict.causes.Verdict`
    cause: NDArray  # (n,) `learn.predict.causes.Cause`
    cost: Array  # (n,) expected, in the shop's currency; NaN without costs
    turns_at: Array  # (n,) cost of a spoiled run at which test and go cost the same


def decide(facts: Facts, settings: ShopSettings) -> Decision:
    """The verdict, and the cheaper of going straight on and testing.

    Going on costs the spoiled run it may become; a test print costs itself, and is taken to
    settle the matter. Without both costs the shop's confidence decides.

    Examples
    --------
    >>> p, off, tolerance = np.array([[0.95, 0.80, 0.01], [0.4, 0.4, 8.0], [2.0, 2.0, 2.0]])
    >>> facts = Facts(p, np.ones(3), np.ones(3), off, tolerance, np.full(3, True), [()] * 3)
    >>> shop = ShopSettings("a", cost_test_print=35.0, cost_spoiled_print=260.0)
    >>> found = decide(facts, shop)
    >>> [str(one) for one in found.cause], found.cost.round(1).tolist()
    (['sure', 'unsure', 'misses'], [13.0, 35.0, 35.0])
    >>> found.turns_at.round().tolist()
    [700.0, 175.0, 35.0]
    >>> [str(one) for one in decide(facts, ShopSettings("b")).verdict]
    ['go', 'test', 'change']
    """
    p, cause = facts.p, causes(facts, settings)
    verdict = np.array([one.verdict for one in cause], object)
    one, spoiled = settings.cost_test_print, settings.cost_spoiled_print
    if one is None or spoiled is None:
        return Decision(verdict, cause, np.full(p.shape, np.nan), np.full(p.shape, np.nan))
    risk = (1 - p) * spoiled
    with np.errstate(divide="ignore"):
        turns_at = np.where(p < 1, one / np.maximum(1 - p, 1e-12), np.inf)
    cost = np.where(wants_test(facts, settings), one, risk)
    return Decision(verdict, cause, cost, turns_at)
