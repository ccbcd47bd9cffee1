"""What to add to a bucket: after the first test print of a mix, or to use up an old one.

Nothing can be taken out.

The test print says what the inks and their strengths in the mix really are (`learn.mixing.seen`);
what it leaves unexplained, and is not scatter of press and instrument, is taken to stay while the
mix changes a little. Additions are then sought, none below zero, that bring the mix to the target
with as little ink as possible, and as much of them is added as is likeliest to hit: the farther a
mix moves, the less its test print says of it. An old mix without a test print is as its recipe
says.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from learn.colour.colorimetry import delta_e00
from learn.errors import Unusable
from learn.gp.posterior import one_thread
from learn.mixing.mixture import Mixing
from learn.mixing.recipes import Weighing, dE00_axes
from learn.mixing.seen import Seen
from learn.predict.causes import Cause, Unseen, Verdict
from learn.predict.garments import facts_of, outcome
from learn.predict.verdict import causes

Array = NDArray[np.floating]

# dE00 that doubling the bucket must be worth: of two corrections alike, the smaller one.
COST_OF_DOUBLING = 0.5
CORRECTING, USING_UP = 1.0, 4.0  # most that is added, as a share of the bucket
FURTHER = 2  # inks that are not in an old mix and may be added, one after the other
GOOD = 0.5  # dE00 from which on no ink beyond those of the mix is tried
PARTS = (0.6, 0.8, 1.0)  # of the additions that hit best, which may be likelier to: less is moved
CHANCE_ALIKE = 0.01
WORTH_OPENING_THE_BUCKET = 0.1  # dE00 by which additions must help
WORTH_ANOTHER_INK = 0.2  # dE00 by which an ink that is not in the mix must help


class TopUp(NamedTuple):
    """What to add, and what to expect."""

    add_kg: dict[str, float]  # empty: leave it as it is
    percent: dict[str, float]  # by weight, afterwards
    bucket_kg: float  # afterwards
    before_dE00: float  # worst garment, as now best known
    after_dE00: float
    p_before: float  # chance of all garments within tolerance
    p_after: float
    lab: Array  # (g, 3) expected afterwards
    within_dE00: float  # 19 of 20 times the worst garment is not farther off, afterwards
    verdict: Verdict  # on the run printed with it, afterwards
    cause: Cause
    unseen: tuple[Unseen, ...]  # of the inks added; the mix itself has been printed


@one_thread
def top_up(
    mixing: Mixing,
    percent: dict[str, float],
    bucket_kg: float,
    measured: dict[str, ArrayLike],
    target: ArrayLike,
    *,
    tolerance: float,
    weighing: Weighing | None = None,
    using_up: bool | None = None,
) -> TopUp:
    """Additions that bring a mix, printed once or not yet, to the target.

    Parameters
    ----------
    percent : ink -> percent by weight of the mix in the bucket
    measured : garment -> Lab of the test print; empty for none
    using_up : whether an old mix is to become another colour, by as much as `USING_UP` and by
        several inks, or be set right, by `CORRECTING`; None: where there is no test print

    Raises
    ------
    Unusable
        for an ink that is not among those of ``mixing``, percentages that do not sum to 100, an
        empty bucket, or a test print on none of the garments.
    """
    held, target = _bucket(mixing, percent, bucket_kg), np.asarray(target, float)
    weighing = weighing or Weighing(bucket_kg)
    rows = [mixing.garments.index(g) for g in measured if g in mixing.garments]
    if measured and not rows:
        msg = "the test print is on none of the garments of this mix"
        raise Unusable(msg)
    seen = np.array([3 * r + c for r in rows for c in range(3)], int)
    reading = np.array([np.asarray(measured[mixing.garments[r]], float) for r in rows]).ravel()
    told = Seen.of(mixing, weighing.shares(mixing, held), seen, reading)
    metric = dE00_axes(target)
    using_up = not rows if using_up is None else using_up
    most = USING_UP if using_up else CORRECTING

    def lab(kg: Array) -> Array:
        return told.lab(weighing.shares(mixing, kg))[0]

    def solved(may_add: NDArray[np.intp], starts: tuple[float, ...]) -> tuple[float, Array]:
        def residual(a: Array) -> Array:
            kg = held.copy()
            kg[may_add] += a * bucket_kg
            off = ((lab(kg) - target) @ metric.T).ravel()
            return np.append(off, COST_OF_DOUBLING * a.sum())

        from scipy.optimize import least_squares  # slow to import, and a plan imports this module

        tries = []
        for start in starts:
            found = least_squares(
                residual, np.full(len(may_add), start), bounds=(0, most), diff_step=1e-3
            )
            tries.append((found.cost, found.x))
        cost, a = min(tries, key=lambda t: t[0])
        kg = np.zeros(len(held))
        kg[may_add] = a * bucket_kg
        return float(np.sqrt(2 * cost)), kg

    used = np.flatnonzero(held)
    best, add = solved(used, (0.01, 0.1))
    for _ in range(FURTHER if using_up else 1):
        others = np.setdiff1d(np.arange(len(held)), used) if best > GOOD else ()
        tries = [(*solved(np.append(used, i), (0.02,)), i) for i in others]
        miss, more, other = min(tries, key=lambda t: t[0], default=(best, add, -1))
        if miss > best - WORTH_ANOTHER_INK:
            break
        best, add, used = miss, more, np.append(used, other)
    grain = weighing.smallest_g / 1000
    adds = np.round(np.outer([0.0, *PARTS], add) / grain) * grain
    joint = told.predict(weighing.shares(mixing, held + adds))
    chance, off = outcome(joint, target, tolerance).p_all, delta_e00(joint.mean, target).max(axis=1)
    at = 1 + int(np.lexsort([off[1:], -np.floor(chance[1:] / CHANCE_ALIKE)])[0])
    if off[at] > off[0] - WORTH_OPENING_THE_BUCKET or chance[at] < chance[0]:
        at = 0
    add, printed = adds[at], joint.take(slice(at, at + 1))
    now = held + add
    seen_now = mixing.unseen(weighing.shares(mixing, held))[0] if rows else ()
    unseen = tuple(u for u in mixing.unseen(weighing.shares(mixing, now))[0] if u not in seen_now)
    facts = facts_of(printed, target, tolerance, [unseen])
    cause = causes(facts, mixing.model.settings_)[0]
    return TopUp(
        add_kg={i: float(a) for i, a in zip(mixing.inks, add, strict=True) if a > 0},
        percent={
            i: float(100 * a / now.sum()) for i, a in zip(mixing.inks, now, strict=True) if a > 0
        },
        bucket_kg=float(now.sum()),
        before_dE00=float(off[0]),
        after_dE00=float(off[at]),
        p_before=float(chance[0]),
        p_after=float(chance[at]),
        lab=lab(now),
        within_dE00=float(outcome(printed, target, tolerance).worst[0, 1]),
        verdict=cause.verdict,
        cause=cause,
        unseen=unseen,
    )


def _bucket(mixing: Mixing, percent: dict[str, float], bucket_kg: float) -> Array:
    """kg of every ink of ``mixing`` in the bucket, (m,)."""
    lost = [i for i in percent if i not in mixing.inks]
    if lost:
        msg = f"ink '{lost[0]}' is not among those that may be mixed"
        raise Unusable(msg)
    if not bucket_kg > 0:
        msg = f"the bucket holds {bucket_kg:g} kg: there is nothing to correct"
        raise Unusable(msg)
    below = [i for i, share in percent.items() if share < 0]
    if below:
        msg = f"the mix has {percent[below[0]]:g} % of '{below[0]}': a share is 0 or more"
        raise Unusable(msg)
    kg = np.array([percent.get(i, 0.0) for i in mixing.inks]) / 100
    if abs(kg.sum() - 1) > 0.005:
        msg = f"the percentages of the mix sum to {sum(percent.values()):g}: they must sum to 100"
        raise Unusable(msg)
    return kg / kg.sum() * bucket_kg
