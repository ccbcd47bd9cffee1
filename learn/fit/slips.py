"""Which prints are slips, by how far they lie from what all others say of them; and what is news.

A slip is alone. What most of a lot is off by, a fifth of a garment or of a season of a press, or
three prints of an ink on one garment the same way, has a cause, and is learnt. A lot that would be
no lot is set aside whole (`learn.fit.strangeness.other_inks`).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import fdtri

from learn.fit.contradiction import TOO_MANY
from learn.normal import distance_at
from learn.shop import jobs_of

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

# A print this far from what all others say of it (chi-square tail of its leave-one-out
# residual, 3 degrees of freedom) is a gross error, not a surprise: a good print is lost
# once in ten million.
GROSS_DISTANCE = distance_at(1e-7)
# Where a shop's prints lie further off than that anyhow: the share of good ones lost, and the
# degrees of freedom looked among.
GROSS_SHARE = 1e-4
PRINTS_A_DEGREE = 20
TAILS = np.array([6.0, 8.0, 10.0, 15.0, 30.0])
# So near to what the others say a print is no slip, however sure they are: just visible. Common
# practice, no source.
GROSS_dE00 = 1.0
# Beyond this squared distance (99 % point) a print's noise is inflated, so that a gross error
# cannot bend the fit; nearer prints count in full.
DOUBTFUL = distance_at(0.01)
# So many prints can say together that what they share is off.
AGREE = 3
# Prints that lie so far, in Lab, from what is expected are of another ink, whatever they agree on:
# lots a quarter stronger and turned in hue lie up to 20 from those before (`tests.worlds`); no
# source.
OTHER_INK = 25.0
# Errors in Lab are the same way where the cosine between them is no less: within a quarter of a
# right angle or so.
ONE_WAY = 0.9


def of_other_ink(error: Array) -> Mask:
    """Which prints, ``error`` (n, 3) off in Lab, are of no ink like the one that was expected."""
    return np.asarray(np.linalg.norm(error, axis=1) >= OTHER_INK, bool)


def by_itself(squared: Array, error: Array, lots: pd.Series) -> Array:
    """How far each print (n,) is off by itself: what most prints of a lot are off by, and three at
    least, is no slip of one of them, but news of the lot - unless their ``error`` (n, 3) in Lab is
    that of another ink."""
    like = ~of_other_ink(error)
    by_lot = pd.Series(np.where(like, squared, 0.0)).groupby(lots.to_numpy())
    agree = np.maximum(AGREE, by_lot.transform("size") // 2 + 1)
    agreed = by_lot.rank(ascending=False, method="first") == agree
    common = pd.Series(squared).where(agreed & like).groupby(lots.to_numpy()).transform("max")
    excused = np.where(like, common.fillna(0.0), 0.0)
    out: Array = squared / np.maximum(1.0, excused / DOUBTFUL)
    return out


def far_off(squared: Array, dE00: Array) -> Mask:
    """Which prints are far from what all else says of them, (n,), gross errors or not."""
    return is_gross(squared, dE00, DOUBTFUL)


def shared(doubtful: Mask, X: pd.DataFrame) -> Mask:
    """Which doubtful prints (n,) have a cause in common, and so are news: a garment printed bare or
    based, or a press for a while, of which a fifth and more, from several jobs, are doubtful."""
    out = np.zeros(len(X), bool)
    season = pd.Series(np.floor(X["day"].to_numpy(float)))  # the feature's unit is 60 days
    groups = [
        X["laid_on"],
        X["press"].astype(str) + "\x1f" + season.astype(str),
    ]
    table = pd.DataFrame({"doubtful": doubtful, "job": jobs_of(X["job"]).to_numpy()})
    table["doubtful job"] = table["job"].where(doubtful)
    for group in groups:
        by = table.groupby(np.asarray(group))
        many = by["doubtful"].transform("sum") >= AGREE
        many &= by["doubtful"].transform("mean") >= TOO_MANY
        many &= by["doubtful job"].transform("nunique") > 1
        out |= many.to_numpy()
    return out & doubtful


def one_way(doubtful: Mask, far: Mask, error: Array, X: pd.DataFrame) -> Mask:
    """Which doubtful prints (n,) lie ``far`` off the same way in Lab, by their ``error`` (n, 3), as
    others of their ink on that garment, from several jobs: no slips, the garment takes it so."""
    out = np.zeros(len(X), bool)
    at = np.flatnonzero(far)
    level = pd.factorize(X["ink"].astype(str) + "\x1f" + X["laid_on"].astype(str))[0][at]
    job = pd.factorize(jobs_of(X["job"]))[0][at]
    way = error[at] / np.maximum(np.linalg.norm(error[at], axis=1, keepdims=True), 1e-9)
    alike = (way @ way.T > ONE_WAY) & (level[:, None] == level)
    elsewhere = alike & (job[:, None] != job)
    out[at] = (alike.sum(axis=1) >= AGREE) & elsewhere.any(axis=1)
    return out & doubtful


def gross_distance(squared: Array) -> float:
    """Squared distance from which on a print is a gross error, by those (n,) of all prints.

    Where the physics is wrong, good prints too lie further off than a normal law says. Their
    tails are those of a Student t whose degrees of freedom and scale the middle and the 95 %
    point of the distances tell, whatever the gross errors do: three channels squared are then
    F-distributed.
    """
    if not len(squared):
        return GROSS_DISTANCE
    middle, high = np.quantile(squared, [0.5, 0.95])
    ratio = fdtri(3, TAILS, 0.95) / fdtri(3, TAILS, 0.5)
    found = TAILS[np.argmin(np.abs(np.log(ratio * middle / high)))]
    # few prints do not show their tails
    tails = max(float(TAILS[0]), min(float(found), len(squared) / PRINTS_A_DEGREE))
    scale = middle / fdtri(3, tails, 0.5)
    return max(GROSS_DISTANCE, float(scale * fdtri(3, tails, 1 - GROSS_SHARE)))


def is_gross(squared: Array, dE00: Array, least: float = GROSS_DISTANCE) -> Mask:
    """Which prints are gross errors, (n,), by their squared distance - ``least`` or more - and
    their difference from what all others say."""
    return (squared >= least) & (dE00 > GROSS_dE00)
