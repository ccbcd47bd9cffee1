"""The terms of the residual model: what is shared between prints, and along which way.

A print's Lab error is a sum of terms. Each term is a Gaussian process over the process
features - equal for equal levels (ink, press, lot, ...), smooth over numbers, or both at
once - that pushes Lab along a direction the physics gives: more film, more base film,
more strength, more wet-out, more soak; or freely in L, a, b. In kernel form a term is
``J(x) k(x, x') J(x')'``.

A smooth kernel is represented by its values at inducing points (Nystroem features), and
what these cannot carry - between the points, far outside them, at a level or number that
is missing or never seen - is returned as ``remainder``: the share of the prior variance
that stays independent from print to print (the FITC correction:
Quinonero-Candela & Rasmussen 2005, J. Mach. Learn. Res. 6, 1939).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit
from threadpoolctl import threadpool_limits

from learn.normal import Z90

Array = NDArray[np.floating]


# A term keeps its most frequent levels; prints of the rest stay independent of each other. Of what
# is equal for equal levels no shop has as many - the lots of ten years - and each weight is of one
# ink alone, and cheap; what is smooth by level has many weights a level.
MAX_LEVELS, MAX_SMOOTH_LEVELS = 2000, 100
# Steps outside a history over which the variance of a growing term doubles.
GROWN = 1.0
# Features of one term (and channel) that is both by level and smooth.
MAX_FEATURES = 84


@dataclass(frozen=True)
class Term:
    """One term of the residual, as designed; ``sd`` and ``lengths`` are prior medians."""

    name: str
    direction: str  # a latent of the physics, "both_films" or "free"
    sd: float  # relative (latents) or in Lab units (free)
    levels: str | None = None
    smooth: tuple[str, ...] = ()
    lengths: tuple[float, ...] = ()
    rough: bool = False  # Matern 3/2 instead of RBF: for time
    linear: bool = False  # a straight line in the (one) smooth column instead
    slope: float = 0.0  # of that line, expected before any print
    centre: float = 0.0  # of that line, where no print has the number
    drifting: bool = False  # a walk that keeps going for a while: for time
    growing: bool = False  # the further outside the history, the less is known of it
    untold: bool = False  # nothing to learn: a print is off by as much as its (one) number says
    where: str | None = None  # a feature, true or false: where false the term is absent
    points: int = 24  # inducing points at most
    spread: float = 0.6  # of log sd under its log-normal prior
    tails: float | None = None  # degrees of freedom where most levels are alike, and some not


class Seen(NamedTuple):
    """What a term looks at of n prints, whatever its length scales."""

    present: NDArray[np.bool_]  # (n,) whether it is about the print
    kept: NDArray[np.bool_]  # (n,) and knows its level and its numbers
    level: NDArray[np.intp]  # (n,)
    numbers: Array  # (n, d)
    known: NDArray[np.bool_]  # (n,) all numbers


@dataclass(frozen=True)
class FittedTerm:
    """A term that knows its levels and inducing points."""

    term: Term
    level_names: tuple[str, ...]
    inducing: Array  # (m, d)
    strange: Array  # (n_levels,) variance of each level, as a multiple of the term's: 1 as usual

    @classmethod
    def of(cls, term: Term, X: pd.DataFrame, random_state: int = 0) -> FittedTerm:
        """Take levels and inducing points from the features of a history."""
        levels: tuple[str, ...] = ()
        X = X[_present(term, X)]
        if term.levels:
            counts = X[term.levels].value_counts()
            most = most_levels(term)
            counts = counts[counts > 1] if len(counts) > most else counts
            levels = tuple(sorted(counts.index[:most]))
        Z = np.zeros((0, len(term.smooth)))
        if term.linear:
            numbers = X[term.smooth[0]]
            Z = np.array([[numbers.mean() if numbers.notna().any() else term.centre]])
        elif term.smooth and not term.untold:
            known = X[list(term.smooth)].dropna().to_numpy(float)
            Z = np.unique(known.round(6), axis=0)
            # with many levels fewer points each: history per level is thin, and so is the gain
            points = min(term.points, max(2, MAX_FEATURES // max(1, len(levels))))
            if len(Z) > points and len(term.smooth) == 1:  # evenly over the history, ends included
                Z = np.unique(np.quantile(known, np.linspace(0, 1, points), axis=0), axis=0)
            elif len(Z) > points:
                from sklearn.cluster import KMeans  # slow to import, and only learning needs it

                with threadpool_limits(limits=1):  # several sum up in another order each time
                    means = KMeans(points, n_init=1, random_state=random_state).fit(known)
                Z = np.unique(means.cluster_centers_, axis=0)
        return cls(term, levels, Z, np.ones(len(levels)))

    def with_levels(self, X: pd.DataFrame) -> FittedTerm:
        """With room for every level of ``X``, those of before first."""
        if not self.term.levels or self.term.levels not in X:
            return self
        new = sorted(set(X[self.term.levels].dropna()) - set(self.level_names))
        new = new[: max(0, most_levels(self.term) - len(self.level_names))]
        fresh = np.full(len(new), self.of_unseen)  # anything may be expected of it
        names, strange = (*self.level_names, *new), np.append(self.strange, fresh)
        return replace(self, level_names=names, strange=strange)

    @property
    def size(self) -> int:
        """Number of features (of one channel)."""
        n_levels = len(self.level_names) if self.term.levels else 1
        return n_levels * (len(self.inducing) if self.term.smooth else 1)

    @staticmethod
    def told_by(term: Term, X: pd.DataFrame) -> bool:
        """Whether a history writes down what the term looks at.

        What nobody ever wrote down is the same for all, as far as the history knows; its
        prior as scatter from print to print would make every band too wide. A term without
        a print it is about is not told of either way, and stays.
        """
        X = X[_present(term, X)]
        columns = [*term.smooth, *([term.levels] if term.levels else [])]
        return not len(X) or bool(X[columns].notna().any().all())

    @cached_property
    def _position(self) -> dict[str, int]:
        return {level: i for i, level in enumerate(self.level_names)}

    def level_of(self, X: pd.DataFrame) -> NDArray[np.intp]:
        """Position of each print's level among ``level_names``, -1 for any other; (n,)."""
        if not self.term.levels:
            return np.zeros(len(X), int)
        positions = [self._position.get(level, -1) for level in X[self.term.levels]]
        return np.array(positions, dtype=np.intp)

    def present(self, X: pd.DataFrame) -> NDArray[np.bool_]:
        """Prints the term is about, (n,)."""
        return _present(self.term, X)

    def features_of(self, levels: NDArray[np.intp]) -> NDArray[np.intp]:
        """The features that prints of these levels can have."""
        levels = np.unique(levels[levels >= 0])
        each = self.size // (max(1, len(self.level_names)) if self.term.levels else 1)
        return (levels[:, None] * each + np.arange(each)).ravel()

    def kernel(self, a: Array, b: Array, log_lengths: Array) -> Array:
        """Kernel of the smooth part between rows of numbers, (len(a), len(b)).

        RBF, or Matern 3/2 where the term is rough (Rasmussen & Williams 2006, eqs 4.9 and
        4.17): scikit-learn's RBF and Matern in closed form, whose import takes longer than
        a prediction. What drifts moves from 0 on with a speed that is forgotten over the length
        scale (Ornstein-Uhlenbeck; Uhlenbeck & Ornstein 1930, Phys. Rev. 36, 823); its standard
        deviation is that of the speed, a unit.
        """
        length = np.exp(log_lengths)
        if self.term.drifting:
            s, t = np.maximum(a, 0.0) / length, np.maximum(b, 0.0).T / length
            gone = np.exp(-s) + np.exp(-t) - np.exp(-np.abs(s - t))
            return length**2 * (2 * np.minimum(s, t) - 1 + gone)
        a, b = a / length, b / length
        squared = np.maximum((a * a).sum(1)[:, None] + (b * b).sum(1) - 2 * a @ b.T, 0.0)
        if self.term.rough:
            r = np.sqrt(3 * squared)
            return (1 + r) * np.exp(-r)
        return np.exp(-0.5 * squared)

    def alike(self, X: pd.DataFrame, log_lengths: Array) -> Array:
        """How much of the term any two prints share by its prior, (n, n).

        Nothing where the levels differ, less the further apart their numbers lie. What is not
        known of a print is shared with no other.
        """
        n = len(X)
        if self.term.untold:
            return np.eye(n)
        shared = np.ones((n, n))
        if self.term.levels:
            level = X[self.term.levels].to_numpy()
            shared = (level[:, None] == level) & pd.notna(level)
        if self.term.smooth and not self.term.linear:
            numbers = X[list(self.term.smooth)].to_numpy(float)
            near = self.kernel(numbers, numbers, log_lengths)
            if self.term.drifting:
                whole = np.sqrt(np.maximum(np.diag(near), 1e-9))
                near = near / whole[:, None] / whole
            shared = shared * np.nan_to_num(near, nan=0.0)
        return np.where(np.eye(n, dtype=bool), 1.0, shared)

    def seen(self, X: pd.DataFrame, level: NDArray[np.intp] | None = None) -> Seen:
        """What the term looks at of n prints; their ``level`` where it was looked up before."""
        level = self.level_of(X) if level is None else level
        present, numbers = self.present(X), np.empty((len(X), len(self.term.smooth)), order="F")
        for i, column in enumerate(self.term.smooth):
            numbers[:, i] = X[column].to_numpy(float)
        known = np.asarray(np.isfinite(numbers).all(axis=1), bool)
        return Seen(present, present & known & (level >= 0), level, numbers, known)

    def features(self, X: pd.DataFrame, log_lengths: Array) -> tuple[Array, Array]:
        """Features (n, size) and remainder (n,), both for unit prior variance."""
        return self.features_at(self.seen(X), log_lengths)

    def features_at(self, seen: Seen, log_lengths: Array) -> tuple[Array, Array]:
        """:meth:`features` of prints looked at before."""
        n, kept, psi = len(seen.kept), seen.kept, self._of_numbers(seen, log_lengths)
        if self.term.levels:
            one_hot = np.zeros((n, len(self.level_names)))
            one_hot[kept, seen.level[kept]] = np.sqrt(self.strange)[seen.level[kept]]
            psi = (one_hot[:, :, None] * psi[:, None, :]).reshape(n, self.size)
        psi = psi * kept[:, None]
        if self.term.untold:
            off = np.where(seen.known, seen.numbers[:, 0] ** 2, 1.0)
            return psi, np.where(seen.present, off, 0.0)
        whole = np.full(n, self.of_unseen)
        if self.term.levels:
            whole[kept] = self.strange[seen.level[kept]]
        if self.term.growing or self.term.linear:
            whole[seen.known] *= self._growth(seen.numbers[seen.known])
        if self.term.drifting:
            whole[kept] *= self._drifted(seen.numbers[kept], log_lengths)
        if self.term.linear:
            remainder = np.where(kept, 0.0, whole)
        else:
            remainder = np.maximum(whole - (psi * psi).sum(axis=1), 0.0)
        return psi, np.where(seen.present, remainder, 0.0)

    @property
    def of_unseen(self) -> float:
        """Variance of a level never seen, as a multiple of the term's: so that the 90 % band of
        a normal is that of the heavy-tailed prior."""
        return float(band_of(self.term.tails)) if self.term.tails else 1.0

    def pushed(self, seen: Seen, log_lengths: Array, w: Array) -> Array:
        """:meth:`features_at` times weights ``w`` (channels, size): (n, channels).

        The features of levels that a print does not have are not written out.
        """
        if not self.size:  # learnt from no print: there is nothing to push with
            return np.zeros((len(seen.kept), len(w)))
        kept, psi = seen.kept, self._of_numbers(seen, log_lengths)
        out, w = np.zeros((len(kept), len(w))), w.reshape(len(w), -1, psi.shape[1])
        for channel, of_level in zip(out.T, w, strict=True):
            channel[kept] = (psi[kept] * of_level[seen.level[kept]]).sum(axis=1)
            if self.term.levels:
                channel[kept] *= np.sqrt(self.strange)[seen.level[kept]]
        return out

    def _growth(self, numbers: Array) -> Array:
        """Variance at numbers (n, d) of a straight line or of what grows, (n,); where nothing
        was printed every number is as far away as any."""
        if not self.inducing.size or (self.term.levels and not self.level_names):
            return np.ones(len(numbers))
        if self.term.linear:
            return (numbers[:, 0] - self.inducing.mean()) ** 2
        low, high = self.inducing.min(axis=0), self.inducing.max(axis=0)
        outside = np.maximum(0.0, np.maximum(low - numbers, numbers - high))
        return 1 + ((outside / GROWN) ** 2).sum(axis=1)

    def _drifted(self, days: Array, log_lengths: Array) -> Array:
        """Variance at ``days`` (n, 1) of what drifts: the diagonal of its kernel, (n,)."""
        length = np.exp(log_lengths)
        t = np.maximum(days[:, 0], 0.0) / length
        return length**2 * 2 * (t - 1 + np.exp(-t))

    def _of_numbers(self, seen: Seen, log_lengths: Array) -> Array:
        """Features of the smooth part, (n, m); 0 where a number is not known."""
        n, numbers, known = len(seen.kept), seen.numbers, seen.known
        if not self.term.smooth:
            return np.ones((n, 1))
        psi, Z = np.zeros((n, len(self.inducing))), self.inducing
        if self.term.linear:
            psi[known] = numbers[known] - Z
        elif known.any() and len(Z):
            root = np.linalg.cholesky(self.kernel(Z, Z, log_lengths) + 1e-6 * np.eye(len(Z)))
            psi[known] = np.linalg.solve(root, self.kernel(Z, numbers[known], log_lengths)).T
        return psi


def seen_by(terms: Iterable[FittedTerm], X: pd.DataFrame) -> list[Seen]:
    """What each of several terms looks at of n prints; those of the same levels look these up
    once."""
    found: dict[tuple[str | None, tuple[str, ...]], NDArray[np.intp]] = {}
    out = []
    for term in terms:
        key = term.term.levels, term.level_names
        if key not in found:
            found[key] = term.level_of(X)
        out.append(term.seen(X, found[key]))
    return out


def band_of(degrees: float | Array) -> Array:
    """Variance of the normal that has the 90 % band of Student's t with so many degrees."""
    return np.asarray(stdtrit(degrees, 0.95) / Z90) ** 2


def most_levels(term: Term) -> int:
    """How many levels a term keeps."""
    return MAX_SMOOTH_LEVELS if term.smooth else MAX_LEVELS


def _present(term: Term, X: pd.DataFrame) -> NDArray[np.bool_]:
    if not term.where:
        return np.ones(len(X), bool)
    return X[term.where].to_numpy(bool)
