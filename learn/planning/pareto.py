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
# Steps by which a plan must be better in something than another that prints alike.
WIDE = 2.0
SERIOUS = 0.6  # share of the best chance (out of reach: of nearness) that a plan must have


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
    return np.asarray(~(strictly | twin).any(axis=0))


def short_list(plans: pd.DataFrame, most: int) -> NDArray[np.intp]:
    """Positions of at most ``most`` plans worth looking at, the best first.

    Differences below `STEPS` do not count. Ranked by chance, then by press work and film. Of
    plans that print alike (:func:`different`) one is told; where there is room, the best plan
    with each other ink follows, in case the first ink is not at hand. Where the front is longer
    than ``most``, the plan that is best in each respect stays.
    """
    p, worst = plans["p_all"].to_numpy(), plans["worst_dE00"].to_numpy()
    coarse, work = _coarse(plans), [plans["film_um"], plans["press_steps"]]
    if p.max() < STEPS["p_all"] / 2:  # out of reach: the nearest first
        order = np.lexsort([*work, worst.round(1)])
        serious = SERIOUS * worst <= worst.min()
    else:
        order = np.lexsort([work[0], worst.round(1), work[1], coarse[:, 0]])
        serious = p >= SERIOUS * p.max()
    order = order[serious[order]]
    front = order[non_dominated(coarse[order])]
    front = front[different(plans.iloc[front])]
    if len(front) > most:
        champions = [
            front[np.argmin(plans[name].to_numpy()[front])]
            for name in STEPS
            if name not in MORE_IS_BETTER
        ]
        kept = list(dict.fromkeys([front[0], *champions]))[:most]
        kept += [i for i in front if i not in kept][: most - len(kept)]
        return front[np.isin(front, kept)]
    ink = plans["ink_id"].to_numpy()
    others = order[~np.isin(ink[order], ink[front])]
    others = others[~pd.Series(ink[others]).duplicated().to_numpy()]
    return np.concatenate([front, others])[:most]


def different(plans: pd.DataFrame) -> NDArray[np.bool_]:
    """Which of ranked plans (n rows) are a choice of their own, (n,).

    Plans with one ink over one base, or over none, print alike. Of these, one counts beside those
    ranked above it only if something of it is better by `WIDE` steps; and one, but the first,
    gives way to a later one that is so much better in something and costs no step elsewhere.

    Examples
    --------
    >>> plans = pd.DataFrame({"ink_id": ["red"] * 3, "underbase_ink_id": None, "base_on": [()] * 3,
    ...                       "p_all": 0.9, "worst_dE00": [1.2, 1.3, 1.4], "spread_dE00": 0.0,
    ...                       "press_steps": 1.0, "film_um": [40.0, 35.0, 20.0]})
    >>> different(plans).tolist()
    [True, False, True]
    """
    values = np.column_stack([_sign(name) * plans[name] / step for name, step in STEPS.items()])
    base = plans["underbase_ink_id"].where(plans["base_on"].map(len) > 0).fillna("")
    way = list(zip(plans["ink_id"], base, strict=True))
    kept: list[int] = []
    for i in range(len(plans)):
        alike = [j for j in kept if way[j] == way[i]]
        if (values[alike] - values[i] >= WIDE).any(axis=1).all():
            kept.append(i)

    def gives_way(i: int, j: int) -> bool:
        costs = values[j] - values[i]
        return way[i] == way[j] and costs.max() < 1 and costs.min() <= -WIDE

    kept = [i for i in kept if not i or not any(gives_way(i, j) for j in kept)]
    return np.isin(np.arange(len(plans)), kept)


def _sign(name: str) -> float:
    return -1.0 if name in MORE_IS_BETTER else 1.0


def _coarse(plans: pd.DataFrame) -> NDArray[np.float64]:
    """The objectives in whole steps, (n, k), all to be small."""
    return np.column_stack(
        [_sign(name) * np.floor(plans[name] / step + 0.5) for name, step in STEPS.items()]
    )
