"""The short list: of many plans, those that no other plan beats in everything."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

# Objective -> the difference from which a shop would care; common practice, no source.
STEPS = {
    "p_all": 0.05,
    "worst_dE00": 0.3,
    "spread_dE00": 0.5,
    "press_steps": 0.5,
    "film_um": 8.0,
}
MORE_IS_BETTER = {"p_all"}
SERIOUS = 0.6  # share of the best chance that a plan must have to be told


def non_dominated(values: ArrayLike) -> NDArray[np.bool_]:
    """Which rows of ``values`` (n, k), all to be small, no other row beats; of equals the first.

    Examples
    --------
    >>> non_dominated([[1, 5], [2, 2], [3, 3], [5, 1], [2, 2]]).tolist()
    [True, True, False, True, False]
    """
    v = np.asarray(values, float)
    better_or_equal = (v[:, None] <= v[None]).all(axis=2)  # [i, j]: i at least as good as j
    strictly = better_or_equal & (v[:, None] < v[None]).any(axis=2)
    twin = better_or_equal & better_or_equal.T & np.tri(len(v), k=-1, dtype=bool).T
    return ~(strictly | twin).any(axis=0)


def short_list(plans: pd.DataFrame, most: int) -> NDArray[np.intp]:
    """Positions of at most ``most`` plans worth looking at, the best first.

    Differences below `STEPS` do not count. Ranked by chance, then by press work and film; where
    the front is longer than ``most``, the plan that is best in each respect stays.
    """
    coarse = np.column_stack(
        [
            (-1.0 if name in MORE_IS_BETTER else 1.0) * np.floor(plans[name] / step + 0.5)
            for name, step in STEPS.items()
        ]
    )
    order = np.lexsort(
        [plans["film_um"], plans["worst_dE00"].round(1), plans["press_steps"], coarse[:, 0]]
    )
    p = plans["p_all"].to_numpy()
    if p.max() < STEPS["p_all"] / 2:  # out of reach: the nearest first
        order = np.lexsort([plans["film_um"], plans["press_steps"], plans["worst_dE00"].round(1)])
    order = order[p[order] >= SERIOUS * p.max()]
    front = order[non_dominated(coarse[order])]
    if len(front) <= most:
        return front
    champions = [
        front[np.argmin(plans[name].to_numpy()[front])]
        for name in STEPS
        if name not in MORE_IS_BETTER
    ]
    kept = list(dict.fromkeys([front[0], *champions]))[:most]
    kept += [i for i in front if i not in kept][: most - len(kept)]
    return front[np.isin(front, kept)]
