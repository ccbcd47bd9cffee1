"""What a decision is expected to cost: print at once, or pull a test print first."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from learn.predict.verdict import chance_needed
from learn.shop import ShopSettings

Array = NDArray[np.float64]


class Decision(NamedTuple):
    """n set-ups: what to do, what it is expected to cost, and where that would change."""

    test: NDArray[np.bool_]  # (n,) a test print first
    cost: Array  # (n,) expected, in the shop's currency; NaN without costs
    turns_at: Array  # (n,) cost of a spoiled run at which test and go cost the same


def decide(p: ArrayLike, settings: ShopSettings) -> Decision:
    """The cheaper of going straight on and testing, for chances ``p`` (n,) of being in tolerance.

    Going on costs the spoiled run it may become; a test print costs itself, and is taken to
    settle the matter. Without both costs the shop's confidence decides.

    Examples
    --------
    >>> shop = ShopSettings("a", cost_test_print=35.0, cost_spoiled_print=260.0)
    >>> found = decide([0.95, 0.80], shop)
    >>> found.test.tolist(), found.cost.round(1).tolist(), found.turns_at.round().tolist()
    ([False, True], [13.0, 35.0], [700.0, 175.0])
    >>> decide([0.95, 0.80], ShopSettings("b")).test.tolist()
    [False, True]
    """
    p = np.asarray(p, float)
    test = p < chance_needed(settings)
    one, spoiled = settings.cost_test_print, settings.cost_spoiled_print
    if one is None or spoiled is None:
        return Decision(test, np.full(p.shape, np.nan), np.full(p.shape, np.nan))
    risk = (1 - p) * spoiled
    with np.errstate(divide="ignore"):
        turns_at = np.where(p < 1, one / np.maximum(1 - p, 1e-12), np.inf)
    return Decision(test, np.where(test, one, risk), turns_at)
