"""Several set-ups beside each other: which comes nearest to its goal, and which two lie apart most.

Prints of one ink, press or base err together, so that the bands of single prints say too little of
what lies between them: both chances are counted over draws of all set-ups at once. The scatter of
prints is left out: asked is which set-up is the better one, not which print of it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.gp.posterior import one_thread
from learn.normal import drawn_errors, root, scattered
from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]

N_DRAWS = 512


class Beside(NamedTuple):
    """Chances of n set-ups."""

    nearest: Array  # (n,) of each to lie nearest to its target or, without one, to its bucket
    furthest: Array  # (n, n) of each two to be those furthest apart; 0 but for the first above


@one_thread
def beside(model: PrintModel, setups: pd.DataFrame) -> Beside:
    """Chances of set-ups; targets count where every one of them has one.

    Raises Unusable when a set-up names what the model has not been told of.
    """
    setups, n = setups.reset_index(drop=True), len(setups)
    believed = model.as_told(model.between(setups), setups)
    ink, first = np.unique(setups["ink_id"].astype(str), return_index=True)
    of = np.searchsorted(ink, setups["ink_id"].astype(str))
    z = drawn_errors(N_DRAWS // 2, 3 * (n + len(ink)), seed=20_241)
    off = scattered(believed.unknown.reshape(1, 3 * n, 3 * n), z[:, : 3 * n])[0]
    prints = believed.mean + off.reshape(-1, n, 3)
    goal = setups.reindex(columns=["target_L", "target_a", "target_b"]).to_numpy(float)
    if np.isfinite(goal).all():
        goals = np.broadcast_to(goal, prints.shape)
    else:
        bucket, covariance = model.buckets(list(setups["ink_id"].iloc[first]))
        each = z[:, 3 * n :].reshape(-1, len(ink), 3)  # a bucket is the same for all its prints
        unsure = np.einsum("mij,kmj->kmi", root(covariance), each)
        goals = (bucket + unsure)[:, of]
    nearest = np.argmin(delta_e00(prints, goals), axis=1)
    one, other = np.triu_indices(n, 1)
    apart = np.argmax(delta_e00(prints[:, one], prints[:, other]), axis=1)
    furthest = np.zeros((n, n))
    furthest[one, other] = np.bincount(apart, minlength=len(one)) / N_DRAWS
    return Beside(np.bincount(nearest, minlength=n) / N_DRAWS, furthest)
