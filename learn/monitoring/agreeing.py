"""Doubtful prints that others of their batch bear out: news of a lot or a press, not slips.

A print far from what was expected is no slip where others of its lot, or of its press, are off
alike. All of them are held together against what is believed of them in common: each is forecast
from the others (leave-one-out in closed form: Rasmussen & Williams 2006, "Gaussian Processes for
Machine Learning", 5.4.2, blockwise); who is worst and still doubtful is left out, and the rest
forecast anew, until those that are left bear each other out.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.normal import distance_at
from learn.predict.protocol import PrintModel
from learn.shop import jobs_of

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

# So many prints of a lot or a press that are off, itself among them, can bear a print out: two may
# be one slip made twice.
AGREEING = 3
OFF = distance_at(0.01)  # squared distance from which on a print counts as off: 1 in 100 right ones
MOST_TOGETHER = 300  # prints looked at together; the doubtful come first


def borne_out(
    model: PrintModel,
    prints: pd.DataFrame,
    lab: Array,
    distance: Array,
    doubtful: Mask,
    usual: Mask,
    limit: float,
) -> Mask:
    """Which of the ``doubtful`` (n,) prints others of their lot or press bear out, (n,).

    Parameters
    ----------
    prints : n prints as measured, all known to the model
    lab : (n, 3) as measured
    distance : (n,) standardised, from what was expected of each by itself
    doubtful, usual : (n,) whose colour is far off without a slip that is likely; near enough
    limit : standardised distance from which on a print is doubtful
    """
    prints = prints.reset_index(drop=True)
    found = np.zeros(len(prints), bool)
    # where no lot is named, all of an ink is one
    lots = prints["ink_lot"].astype(object).where(prints["ink_lot"].notna(), "")
    causes = [_shared(prints["ink_id"], lots), _shared(prints["press_id"])]
    near = np.any([np.isin(c, c[doubtful & (c >= 0)]) & (c >= 0) for c in causes], axis=0)
    some = np.concatenate([np.flatnonzero(doubtful), np.flatnonzero(usual & near)])[:MOST_TOGETHER]
    if not doubtful.any() or len(some) < AGREEING:
        return found
    asked = prints.iloc[some].reset_index(drop=True)
    screen = pd.factorize(jobs_of(asked["job_id"]).astype(str) + "\x1f" + asked["ink_id"])[0]
    belief = model.as_told(model.between(asked, screen), asked)
    together = np.arange(len(some))
    total = belief.unknown.copy()
    total[together, :, together, :] += belief.scatter
    left = agreeing(total, lab[some] - belief.mean, doubtful[some], limit)
    off = left & (distance[some] ** 2 > OFF)
    for cause in causes:
        group = cause[some]
        alike = np.bincount(group[off & (group >= 0)], minlength=len(prints))
        many = (group >= 0) & (alike[group] >= AGREEING)
        found[some[off & many & doubtful[some]]] = True
    return found


def agreeing(total: Array, off: Array, doubtful: Mask, limit: float) -> Mask:
    """Those of n prints that are left once no doubtful one is further than ``limit`` from what the
    others say of it.

    Parameters
    ----------
    total : (n, 3, n, 3) covariance of what they are off by
    off : (n, 3) from what was expected of each by itself
    doubtful : (n,) who may be left out
    """
    n = len(off)
    left = np.ones(n, bool)
    inverse = np.linalg.inv(total.reshape(3 * n, 3 * n))
    at = np.arange(n)
    while True:
        blocks = inverse.reshape(n, 3, n, 3)
        own = np.where(left[:, None, None], blocks[at, :, at, :], np.eye(3))
        told = (inverse @ np.where(left[:, None], off, 0.0).ravel()).reshape(n, 3)
        squared = np.einsum("ni,ni->n", told, np.linalg.solve(own, told[..., None])[..., 0])
        squared[~(left & doubtful)] = 0.0
        worst = int(np.argmax(squared))
        if squared[worst] <= limit**2:
            return left
        left[worst] = False
        # what the others know without it: its rows and columns taken out of the inverse
        rows = inverse[:, 3 * worst : 3 * worst + 3]
        inverse = inverse - rows @ np.linalg.solve(own[worst], rows.T)


def _shared(*columns: pd.Series) -> NDArray[np.intp]:
    """A number for each combination of levels (n,); -1 where one is missing."""
    known = np.all([column.notna() for column in columns], axis=0)
    names = columns[0].astype(str)
    for column in columns[1:]:
        names = names + "\x1f" + column.astype(str)
    return np.where(known, pd.factorize(names)[0], -1)
