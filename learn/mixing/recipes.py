"""Recipes: two to four inks that, mixed, print as the target on every garment of a job.

All pairs are solved at once, the best of them extended by every further ink, and so on: each
solution is a damped Gauss-Newton on the logarithms of the shares, which keeps them positive and
summing to one.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.difference import local_metric
from learn.errors import Unusable
from learn.gp.posterior import one_thread
from learn.mixing.families import Family, Mixable, families, unmixed
from learn.mixing.mixture import Mixed, Mixing
from learn.mixing.strength import Strengths
from learn.normal import root, sd_of
from learn.planning.plan import checked_garments, checked_target
from learn.predict.costs import decide
from learn.predict.garments import draws, facts_of, interval, outcome, spread_between

if TYPE_CHECKING:
    from learn.predict.protocol import MixModel

Array = NDArray[np.floating]

STARTS = (0.02, 0.08, 0.2, 0.4)  # shares a further ink starts with
BEAM = 30  # mixes of one size that are extended by a further ink
STEPS = 10
SAME = 0.1  # dE00 by which a mix of more inks must come nearer
WITH_BANDS = 24  # mixes that get bands
CHANCE_ALIKE = 0.05
MISS_ALIKE = 0.5  # dE00 beyond the tolerance
FARTHEST = 6.0  # step of a log share at most, summed over the inks


@dataclass(frozen=True)
class Weighing:
    """How mixes are weighed out.

    Examples
    --------
    >>> Weighing(bucket_kg=1.0, smallest_g=2.0).step_pct
    0.2
    """

    bucket_kg: float = 1.0
    smallest_g: float = 1.0  # what the scale and the hand can add of one ink
    density: Mapping[str, float] = field(default_factory=dict)  # g/ml, 1 where not given
    price: Mapping[str, float] = field(default_factory=dict)  # a kg, in the shop's currency

    def __post_init__(self) -> None:
        for name in ("bucket_kg", "smallest_g"):
            if not getattr(self, name) > 0:
                msg = f"is {getattr(self, name):g}: it must be above 0"
                raise Unusable(msg, name=name)
        for ink, value in self.density.items():
            if not value > 0:
                msg = f"of '{ink}' is {value:g} g/ml: it must be above 0"
                raise Unusable(msg, name="density")
        for ink, value in self.price.items():
            if not value >= 0:
                msg = f"of '{ink}' is {value:g} a kg: 0 or more is possible"
                raise Unusable(msg, name="price")
        if self.smallest_g > 500 * self.bucket_kg:
            msg = (
                f"{self.smallest_g:g} g is more than half of a {self.bucket_kg:g} kg bucket: "
                "mix more, or weigh finer"
            )
            raise Unusable(msg)

    @property
    def step_pct(self) -> float:
        """The smallest share by weight that can be weighed, percent."""
        return 0.1 * self.smallest_g / self.bucket_kg

    def heavy(self, mixing: Mixing) -> Array:
        """Weight of wet ink a volume of its dry film, (m,), up to a factor."""
        return np.array([self.density.get(i, 1.0) for i in mixing.inks]) / mixing.solids

    def percent(self, mixing: Mixing, shares: Array) -> Array:
        """Percent by weight of the wet mix (..., m) from shares of the dry film."""
        weight = shares * self.heavy(mixing)
        return 100 * weight / weight.sum(axis=-1, keepdims=True)

    def shares(self, mixing: Mixing, percent: Array) -> Array:
        """Shares of the dry film (..., m) from percent (or kg) by weight of the wet mix."""
        volume = percent / self.heavy(mixing)
        return volume / volume.sum(axis=-1, keepdims=True)

    def rounded(self, percent: Array) -> Array:
        """Percentages (m,) in whole steps that sum to 100; what cannot be weighed left out."""
        steps = percent / self.step_pct
        steps[steps < 1] = 0
        steps *= 100 / self.step_pct / steps.sum()
        whole = np.floor(steps)
        short = round(100 / self.step_pct - whole.sum())
        whole[np.argsort(whole - steps, kind="stable")[:short]] += 1
        return 100 * whole / whole.sum()


@dataclass(frozen=True)
class Recipes:
    """Ranked recipes.

    ``lines``: ``inks`` and ``percent`` by weight (tuples, the largest first), ``p_all``,
    ``worst_dE00``, ``worst_lo``, ``worst_hi``, ``spread_dE00``, ``spread_lo``, ``spread_hi``,
    ``price`` a kg (NaN where one is not known), ``verdict``, ``cause``, ``expected_cost``,
    ``turns_at``, ``unseen`` as in `learn.planning.plan.Plan`.
    ``colours``: line, substrate_id, L, a, b, L_sd, a_sd, b_sd, dE00, p.
    """

    target: Array
    tolerance: float
    garments: list[str]
    lines: pd.DataFrame
    colours: pd.DataFrame
    mixing: Mixing
    shares: Array  # (lines, m) of the dry film
    families: tuple[Family, ...] = ()  # one after the other, where no inks were named
    untyped: tuple[str, ...] = ()  # left out then, as their type is not known


@one_thread
def recipes(
    model: MixModel,
    target: ArrayLike,
    setup: Mapping[str, Any],
    garments: list[str],
    *,
    inks: list[str] | None = None,
    without: Collection[str] = (),
    most_inks: int = 4,
    tolerance: float | None = None,
    weighing: Weighing | None = None,
    most: int = 5,
    strengths: Strengths | None = None,
    lots: Mapping[str, str] | None = None,
) -> Recipes:
    """Mixes of two to ``most_inks`` inks for a target printed with ``setup`` on ``garments``.

    Parameters
    ----------
    setup : set-up columns without ink and garment: mesh, strokes, flashes, base, press
    inks : what may be mixed; unless given, every ink of the shelf but underbases and mixes, one
        family of ink types after the other (`learn.mixing.families`); the lines are those of the
        best
    without : inks of the shelf that are left out unless ``inks`` names them
    strengths : what tint cards and printed mixes told of the inks (`learn.mixing.evidence`)
    lots : ink -> the lot that is open

    Raises
    ------
    Unusable
        for a target that is no colour, an ink or garment the tables do not name, fewer than
        two inks, inks that may not go into one bucket, or sizes other than 2 to 4.
    """
    target, garments = checked_target(target), checked_garments(model, garments)
    tolerance = model.settings_.tolerance_dE00 if tolerance is None else tolerance
    weighing = weighing or Weighing()
    known = model.encoder_.inks
    shelf = inks is None
    own = unmixed(known)
    pure = own.index[(own["role"] != "underbase") & ~own.index.isin(without)]
    inks = list(pure) if inks is None else inks
    inks = list(dict.fromkeys(inks))
    lost = [i for i in inks if i not in known.index]
    if lost:
        msg = f"ink '{lost[0]}' is in none of the shop's tables"
        raise Unusable(msg)
    if len(inks) < 2:
        msg = f"a mix needs two inks, and {len(inks)} may be used: name more"
        raise Unusable(msg)
    if not 2 <= most_inks <= 4:
        msg = f"mixes of {most_inks} inks are not sought: 2, 3 or 4 are possible"
        raise Unusable(msg)

    def of(palette: list[str]) -> Recipes | None:
        mixing = Mixing.of(model, setup, garments, palette, strengths, lots)
        return _best(mixing, target, min(most_inks, len(palette)), tolerance, weighing, most)

    if shelf:
        return _family_by_family(of, known["ink_type"].loc[inks], model.settings_.mixable)
    told = of(inks)
    if told is None:
        raise Unusable("no mix of these inks is nearer than one of them alone: name others")
    return told


def _family_by_family(
    of: Callable[[list[str]], Recipes | None], ink_type: pd.Series, mixable: Mixable
) -> Recipes:
    """The recipes of the family that comes nearest, and how near each came."""
    found: list[tuple[Family, Recipes | None]] = []
    for family in families(ink_type, mixable):
        told = of(list(family.inks)) if len(family.inks) > 1 else None
        if told is not None:
            best = told.lines.iloc[0]
            family = family._replace(worst_dE00=best["worst_dE00"], p_all=best["p_all"])
        found.append((family, told))
    untyped = tuple(ink_type.index[ink_type.isna()])
    mixed = [(family, told) for family, told in found if told is not None]
    if not mixed:
        left = f" (of unknown type, so not tried: {', '.join(untyped)})" if untyped else ""
        raise Unusable(f"no mix of inks of one type is nearer than one of them alone{left}")
    _, best_told = min(mixed, key=lambda m: (-(m[0].p_all // CHANCE_ALIKE), m[0].worst_dE00))
    return replace(best_told, families=tuple(f for f, _ in found), untyped=untyped)


def _best(
    mixing: Mixing, target: Array, most_inks: int, tolerance: float, weighing: Weighing, most: int
) -> Recipes | None:
    """The recipes of the inks of ``mixing``; None where no mix is nearer than one ink alone."""
    shares = _weighable(mixing, weighing, _solved(mixing, target, most_inks))
    if not len(shares):
        return None
    shares = shares[_worth_telling(mixing, shares, target, weighing)]
    mixed = mixing.predict(shares)
    p = outcome(mixed.joint, target, tolerance).p_all
    off = delta_e00(mixed.joint.mean, target).max(axis=1)
    price = np.nan_to_num(_prices(mixing, weighing, shares))
    size = (shares > 0).sum(axis=1)
    # by chance, then how far beyond the tolerance; of those alike the fewest inks, the cheapest
    beyond = np.floor(np.maximum(off - tolerance, 0) / MISS_ALIKE)
    best = np.lexsort([off, price, size, beyond, -np.floor(p / CHANCE_ALIKE)])[:most]
    mixed = Mixed(mixed.joint.take(best), mixed.unknown[best])
    return _told(mixing, weighing, shares[best], mixed, target, tolerance)


def dE00_axes(target: Array) -> Array:
    """(3, 3) such that |axes d| is dE00 for small differences d in Lab from ``target`` (3,)."""
    return root(local_metric(target[None]))[0]


def _solved(mixing: Mixing, target: Array, most_inks: int) -> Array:
    """Shares (n, m) of the best mixes of each size, unrounded."""
    m = len(mixing.inks)
    metric = dE00_axes(target)
    pairs = np.array(list(combinations(range(m), 2)))
    grid = np.array([*STARTS, *(1 - np.array(STARTS)), 0.5])
    start = np.zeros((len(pairs), len(grid), m))
    rows = np.arange(len(pairs))
    for k, share in enumerate(grid):
        start[rows, k, pairs[:, 0]], start[rows, k, pairs[:, 1]] = share, 1 - share
    best = _refined(mixing, _best_start(mixing, start, target, metric), target, metric)
    found = [best]
    for _ in range(3, most_inks + 1):
        best = best[:BEAM]
        wider = np.repeat(best, m, axis=0)
        more = np.tile(np.arange(m), len(best))
        new = wider[np.arange(len(wider)), more] == 0
        wider, more = wider[new], more[new]
        sets = np.unique((wider > 0) | (np.arange(m) == more[:, None]), axis=0, return_index=True)
        wider, more = wider[sets[1]], more[sets[1]]
        start = wider[:, None] * (1 - np.array(STARTS))[:, None]
        start[np.arange(len(more)), :, more] = STARTS
        best = _refined(mixing, _best_start(mixing, start, target, metric), target, metric)
        found.append(best)
    return np.concatenate([f[:BEAM] for f in found])


def _residual(mixing: Mixing, shares: Array, target: Array, metric: Array) -> Array:
    off = (mixing.lab(shares) - target) @ metric.T
    return off.reshape(len(shares), -1)


def _best_start(mixing: Mixing, start: Array, target: Array, metric: Array) -> Array:
    n, k, m = start.shape
    r = _residual(mixing, start.reshape(n * k, m), target, metric).reshape(n, k, -1)
    return start[np.arange(n), (r**2).sum(axis=2).argmin(axis=1)]


def _refined(mixing: Mixing, shares: Array, target: Array, metric: Array) -> Array:
    """Every mix moved to its optimum over its own inks (Levenberg-Marquardt), best first."""
    n, m = shares.shape
    size = int((shares[0] > 0).sum())
    active = np.nonzero(shares > 0)[1].reshape(n, size)
    rows = np.arange(n)[:, None]
    u = np.log(shares[rows, active])
    damping = np.full(n, 0.01)

    def spread_out(u: Array, at: NDArray[np.intp]) -> Array:
        c = np.exp(u - u.max(axis=1, keepdims=True))
        out = np.zeros((len(u), m))
        out[np.arange(len(u))[:, None], at] = c / c.sum(axis=1, keepdims=True)
        return out

    r = _residual(mixing, spread_out(u, active), target, metric)
    step = 1e-3
    live = np.arange(n)
    for _ in range(STEPS):
        moved = np.repeat(u[live, None], size, axis=1) + step * np.eye(size)
        at = np.repeat(active[live], size, axis=0)
        shifted = spread_out(moved.reshape(-1, size), at)
        J = _residual(mixing, shifted, target, metric).reshape(len(live), size, -1)
        J = (J - r[live, None]) / step  # (live, size, 3 g)
        A = J @ J.transpose(0, 2, 1)
        A += damping[live, None, None] * (A * np.eye(size) + 1e-3 * np.eye(size))
        du = -np.linalg.solve(A, (J @ r[live, :, None]))[:, :, 0]
        du *= np.minimum(1, FARTHEST / size / np.maximum(np.abs(du).max(axis=1), 1e-9))[:, None]
        trial = np.clip(u[live] + du, u[live].max(axis=1, keepdims=True) - 9, None)
        new = _residual(mixing, spread_out(trial, active[live]), target, metric)
        before, after = (r[live] ** 2).sum(axis=1), (new**2).sum(axis=1)
        better = after < before
        u[live[better]], r[live[better]] = trial[better], new[better]
        damping[live] = np.where(better, damping[live] / 5, damping[live] * 8)
        live = live[~better & (damping[live] < 1e4) | (before - after > 1e-3 * (0.01 + before))]
        if not len(live):
            break
    order = np.argsort((r**2).sum(axis=1), kind="stable")
    return spread_out(u, active)[order]


def _weighable(mixing: Mixing, weighing: Weighing, shares: Array) -> Array:
    """The mixes as they can be weighed, once each, of two inks or more."""
    percent = np.array([weighing.rounded(p) for p in weighing.percent(mixing, shares)])
    percent = np.unique(percent[(percent > 0).sum(axis=1) > 1], axis=0)
    return weighing.shares(mixing, percent)


def _worth_telling(
    mixing: Mixing, shares: Array, target: Array, weighing: Weighing
) -> NDArray[np.intp]:
    """The nearest mixes; one of more inks only where it comes nearer, one a set of inks."""
    off = delta_e00(mixing.lab(shares), target).max(axis=1)
    size = (shares > 0).sum(axis=1)
    price = np.nan_to_num(_prices(mixing, weighing, shares))
    order = np.lexsort([price, size, np.floor(off / SAME)])
    kept: list[int] = []
    for i in order:
        own = shares[i] > 0
        # the same inks again, or another ink more for nothing
        if any((own >= (shares[j] > 0)).all() and off[i] > off[j] - SAME for j in kept):
            continue
        kept.append(i)
        if len(kept) == WITH_BANDS:
            break
    return np.array(kept, int)


def _prices(mixing: Mixing, weighing: Weighing, shares: Array) -> Array:
    price = np.array([weighing.price.get(i, np.nan) for i in mixing.inks])
    percent = weighing.percent(mixing, shares)
    return np.where(percent > 0, percent * price, 0.0).sum(axis=1) / 100


def _told(
    mixing: Mixing,
    weighing: Weighing,
    shares: Array,
    mixed: Mixed,
    target: Array,
    tolerance: float,
) -> Recipes:
    percent = weighing.percent(mixing, shares)
    largest = np.argsort(-percent, axis=1, kind="stable")
    size = (shares > 0).sum(axis=1)
    luck = outcome(mixed.joint, target, tolerance)
    dE = delta_e00(mixed.joint.mean, target)
    apart = spread_between(mixed.joint.mean)
    between = interval(spread_between(draws(mixed.joint)), apart)
    unseen = mixing.unseen(shares)
    decision = decide(facts_of(mixed.joint, target, tolerance, unseen), mixing.model.settings_)
    picked = [row[:k] for row, k in zip(largest, size, strict=True)]
    lines = pd.DataFrame(
        {
            "inks": [tuple(mixing.inks[i] for i in row) for row in picked],
            "percent": [
                tuple(float(v) for v in percent[n, row].round(6)) for n, row in enumerate(picked)
            ],
            "p_all": luck.p_all,
            "worst_dE00": dE.max(axis=1),
            "worst_lo": luck.worst[:, 0],
            "worst_hi": luck.worst[:, 1],
            "spread_dE00": apart,
            "spread_lo": between[:, 0],
            "spread_hi": between[:, 1],
            "price": _prices(mixing, weighing, shares),
            "verdict": decision.verdict,
            "cause": decision.cause,
            "expected_cost": decision.cost,
            "turns_at": decision.turns_at,
            "unseen": pd.Series(unseen, dtype=object),
        }
    )
    n, g = dE.shape
    sd = sd_of(mixed.joint.covariance).reshape(n * g, 3)
    numbers = np.hstack([mixed.joint.mean.reshape(n * g, 3), sd])
    colours = pd.DataFrame(numbers, columns=[*"Lab", "L_sd", "a_sd", "b_sd"]).assign(
        line=np.repeat(np.arange(1, n + 1), g),
        substrate_id=mixing.garments * n,
        dE00=dE.ravel(),
        p=luck.p.ravel(),
    )
    return Recipes(target, tolerance, mixing.garments, lines, colours, mixing, shares)
