"""How each ink counts in a mix, beyond what its own film says, and how sure that is.

K and S fitted to an ink's own film do not say all of what it does in white: on films of published
pigments the strength of a tint was between 0.45 and 3.2 times what the full film gave, about 1 for
scattering inorganic pigments and 2 to 3 for transparent organic ones (Levinson, Berdahl and Akbari
2005, Solar Energy Materials and Solar Cells 89, 319; from memory), of which
`learn.mixing.transport` explains what absorbing without scattering does, 1 to 1.9.

So an ink has a strength: a trace of one of strength 2 absorbs as twice its share does in its own
film. That fades as its share grows, and a mix of one ink is that ink whatever its strength. A part
of it is common to all inks of a shop: what one card tells holds in part for an ink without one. How
it scatters changes too, but by less, and apart from how it absorbs: a white that dirties a mix more
than its card says does not hide the more. Two inks also do something to each other that belongs to
the pair, and each recipe something of its own: smooth bends of log absorption and log scattering,
that fade as one of the inks does. All are weights with priors, an ink's with heavy tails; tint
cards and printed mixes are data (`learn.mixing.evidence`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.mixing.law import Law

Array = NDArray[np.floating]
Key = tuple[str, ...]  # none for all inks, one, or two in order of their names

# Scales of an ink's log strengths under Student's t, in absorbing and in scattering. The published
# factors on absorption have a standard deviation of about 0.57 (log), that of a t of four degrees
# and scale 0.4; those of inks that scatter are about 1.
STRENGTH_SCALE = 0.4
STRENGTHS = np.array([STRENGTH_SCALE, 0.1])
TAILS = 4.0
# What all inks of a shop have in common: how absorbing counts against the white's scattering, which
# films of single inks tell by way of `learn.mixing.transport` alone. On 28 invented shops, fitted,
# it was 0.42 to 0.47 off from shop to shop, 0.15 to 0.17 from ink to ink of one (log).
COMMON_SD = 0.45
COMMON: Key = ()
# Of a pair at equal shares: log absorption by level, tilt and curve, log scattering by level.
# Published remainders after one strength an ink are 3.5 to 4 dE00, which sets their size.
PAIR_SD = np.array([0.15, 0.12, 0.08, 0.15])
WIDTH = {0: 1, 1: len(STRENGTHS), 2: len(PAIR_SD)}  # weights of all inks, of one, of a pair
# Of these, the share (of the sd) that belongs to the recipe and tells nothing of the next.
OWN = 0.4
# How much stronger an ink is in one recipe than its strength fades to: no strength is quite the
# same at every share, as a wetter grind or a flocculated one shows (common practice, no source).
OWN_STRENGTHS = np.array([0.15, 0.05])
# How far a shop's inks may be from these sizes (log): both scales are learnt over its inks.
SCALE_SPREAD = 0.5
SCALES = np.linspace(-1.2, 1.2, 7)
STEP = 1e-3
ROUNDS = 6
# 90 % of Student's t with 4 degrees lie within 2.13 scales, of a normal within 1.645 sd.
AS_NORMAL = 1.296


@dataclass(frozen=True)
class Observation:
    """One measured mix. ``lab`` takes a law, or one law each of k mixes, and answers (k, 3)."""

    inks: tuple[str, ...]
    shares: Array  # (m,) of the dry film
    lab: Callable[[Law, int], Array]
    measured: Array  # (3,) Lab
    unknown: Array  # (3, 3) what else is not known, alike for all mixes of these inks
    scatter: Array  # (3, 3) of this reading alone

    @property
    def keys(self) -> list[Key]:
        """The inks and pairs it tells of."""
        return keys_of(self.inks)


def keys_of(inks: Sequence[str]) -> list[Key]:
    """What all have in common, every ink and every pair of them."""
    return [COMMON] + [(i,) for i in inks] + [pair_of(i, j) for i, j in combinations(inks, 2)]


def pair_of(one: str, other: str) -> Key:
    """The key of a pair."""
    return (one, other) if one < other else (other, one)


class Drawn(NamedTuple):
    """Standard normal numbers that stand for what is not known of a mix."""

    learnt: Array  # (p,)
    inks: Array  # (m, 2)
    own_inks: Array  # (m, 2)
    pairs: Array  # (m, m, 4), used above the diagonal
    own: Array  # (4,)


@dataclass(frozen=True)
class Strengths:
    """What is known of the strength of inks in mixes, and of what pairs do to each other.

    ``start``: where the weights of an ink or a pair begin among the p that are kept, first what all
    have in common; all others stand at their prior. ``told``: how many measured mixes told of each.
    """

    start: dict[Key, int] = field(default_factory=lambda: {COMMON: 0})
    mean: Array = field(default_factory=lambda: np.zeros(1))
    root: Array = field(default_factory=lambda: np.array([[COMMON_SD]]))  # covariance = root root'
    ink_scale: float = 1.0
    pair_scale: float = 1.0
    told: dict[Key, int] = field(default_factory=dict)

    @property
    def size(self) -> int:
        """Kept weights, p."""
        return len(self.mean)

    def drawn(self, rng: np.random.Generator, m: int) -> Drawn:
        """Numbers for :meth:`law` of m inks."""
        n, k = len(PAIR_SD), len(STRENGTHS)
        sizes = (self.size, (m, k), (m, k), (m, m, n), n)
        return Drawn(*(rng.standard_normal(size) for size in sizes))

    def law(self, inks: Sequence[str], drawn: Drawn | None = None, sign: float = 1.0) -> Law:
        """How these inks mix: as is likeliest, or as ``drawn``."""
        weights = self.mean
        if drawn is not None:
            weights = weights + sign * self.root @ drawn.learnt
        m, n = len(inks), len(PAIR_SD)
        strength: Array = np.zeros((m, len(STRENGTHS)))
        if drawn is not None:
            strength = sign * AS_NORMAL * self.ink_scale * STRENGTHS * drawn.inks
        for i, ink in enumerate(inks):
            if (ink,) in self.start:
                strength[i] = weights[self.start[ink,] :][: len(STRENGTHS)]
        strength[:, 0] += weights[self.start[COMMON]]
        known = [
            (i, j, self.start[key])
            for (i, one), (j, other) in combinations(enumerate(inks), 2)
            if (key := pair_of(one, other)) in self.start
        ]
        if drawn is None and not known:
            return Law(strength[:, 0], None, None, strength[:, 1])
        upper = np.zeros((m, m, n))
        if drawn is not None:
            sd = np.sqrt(1 - OWN**2) * self.pair_scale * PAIR_SD
            upper = sign * sd * np.triu(np.ones((m, m)), 1)[:, :, None] * drawn.pairs
        for i, j, start in known:
            upper[i, j] = weights[start : start + n]
        own = None
        if drawn is not None:
            own = sign * OWN * self.pair_scale * PAIR_SD * drawn.own
            strength = strength + sign * self.pair_scale * OWN_STRENGTHS * drawn.own_inks
        return Law(strength[:, 0], upper + upper.transpose(1, 0, 2), own, strength[:, 1])

    def sd_of(self, ink: str) -> float:
        """Standard deviation of an ink's log strength."""
        common = self.root[self.start[COMMON]]
        if (ink,) in self.start:
            return float(np.linalg.norm(common + self.root[self.start[ink,]]))
        return float(np.hypot(np.linalg.norm(common), AS_NORMAL * self.ink_scale * STRENGTH_SCALE))

    def of(self, ink: str) -> float:
        """Strength of an ink, 1 where nothing tells of it."""
        own = self.mean[self.start[ink,]] if (ink,) in self.start else 0.0
        return float(np.exp(self.mean[self.start[COMMON]] + own))


def learn(observations: Sequence[Observation]) -> Strengths:
    """The strengths that measured mixes tell of.

    Gauss-Newton on the weights; the two scales by the evidence on a grid under log-normal priors;
    the variance of each ink's strength by expectation maximisation of Student's t, as in
    `learn.fit.strangeness`; a reading that no weights explain counts for less (Student's t too).
    """
    if not observations:
        return Strengths()
    task = _Task.of(observations)
    weights, odd = np.zeros(task.size), np.ones(task.n_inks)
    doubt = np.ones(len(observations))
    scales = (0.0, 0.0)
    for _ in range(ROUNDS):
        at = task.by_tangents(weights)
        scales = task.scales(at, odd, doubt)
        for _ in range(3):
            prior = task.prior(*scales, odd)
            mean, covariance, left = at.solved(prior, task.noise(doubt, scales[1]))
            square = (mean**2 + np.diag(covariance))[task.inks] / np.tile(
                (np.exp(scales[0]) * STRENGTHS) ** 2, task.n_inks
            )
            odd = (TAILS + square.reshape(task.n_inks, -1).sum(axis=1)) / (TAILS + len(STRENGTHS))
            doubt = np.maximum((TAILS + doubt * left) / (TAILS + 3), 1.0)
        step = mean - weights
        weights = weights + step * min(1.0, 1.0 / max(np.abs(step).max(), 1e-9))
        if np.abs(step).max() < 0.01:
            break
    told: Counter[Key] = Counter()
    for one in observations:
        told.update(one.keys)
    return Strengths(
        task.start,
        weights,
        np.linalg.cholesky(covariance + 1e-12 * np.eye(task.size)),
        float(np.exp(scales[0])),
        float(np.exp(scales[1])),
        dict(told),
    )


def _law_of(m: int, weights: Array) -> Law:
    """The law of m inks by their weights, or one each of several, ([M,] p)."""
    k, b = len(STRENGTHS), len(PAIR_SD)
    common, weights = weights[..., :1], weights[..., 1:]
    inks = weights[..., : m * k].reshape(*weights.shape[:-1], m, k)
    pairs = np.zeros((*weights.shape[:-1], m, m, b))
    for at, (r, c) in enumerate(combinations(range(m), 2)):
        of = weights[..., m * k + at * b : m * k + (at + 1) * b]
        pairs[..., r, c, :] = pairs[..., c, r, :] = of
    return Law(inks[..., 0] + common, pairs, None, inks[..., 1])


class _Linear(NamedTuple):
    """All observations along tangents: error (n, 3) from weights 0, Jacobian (n, 3, p)."""

    error: Array
    jacobian: Array

    def solved(self, prior: Array, noise: Array) -> tuple[Array, Array, Array]:
        """Posterior mean and covariance of the weights, squared distance of each reading."""
        n, _, p = self.jacobian.shape
        J = self.jacobian.reshape(3 * n, p)
        weighed = np.linalg.solve(noise, self.jacobian).reshape(3 * n, p)
        covariance = np.linalg.inv(np.diag(1 / prior) + J.T @ weighed)
        mean = covariance @ (weighed.T @ self.error.ravel())
        left = self.error - (J @ mean).reshape(n, 3)
        distance = np.einsum("nc,nc->n", left, np.linalg.solve(noise, left[..., None])[..., 0])
        return mean, (covariance + covariance.T) / 2, distance

    def evidence(self, prior: Array, noise: Array) -> float:
        """Log density of the readings, up to a constant."""
        n, _, p = self.jacobian.shape
        J = self.jacobian.reshape(3 * n, p)
        total = (J * prior) @ J.T
        for i in range(n):
            total[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] += noise[i]
        root = np.linalg.cholesky(total)
        z = np.linalg.solve(root, self.error.ravel())
        return float(-0.5 * z @ z - np.log(np.diag(root)).sum())


@dataclass(frozen=True)
class _Task:
    """The weights that some observations tell of: the common one first, inks', then pairs'."""

    observations: Sequence[Observation]
    start: dict[Key, int]
    n_inks: int
    size: int
    alike: Array  # (n,) how many are of the same inks

    @classmethod
    def of(cls, observations: Sequence[Observation]) -> _Task:
        keys = list(dict.fromkeys(key for one in observations for key in one.keys))
        inks = [key for key in keys if len(key) == 1]
        pairs = [key for key in keys if len(key) == 2]
        start: dict[Key, int] = {}
        size = 0
        for key in [COMMON, *inks, *pairs]:
            start[key] = size
            size += WIDTH[len(key)]
        times = Counter(frozenset(one.inks) for one in observations)
        alike = np.array([times[frozenset(one.inks)] for one in observations], float)
        return cls(observations, start, len(inks), size, alike)

    @property
    def inks(self) -> slice:
        """The weights of inks."""
        return slice(WIDTH[0], WIDTH[0] + self.n_inks * len(STRENGTHS))

    @cached_property
    def _columns(self) -> list[NDArray[np.intp]]:
        """Of each observation, which weights it depends on."""
        return [
            np.concatenate([self.start[k] + np.arange(WIDTH[len(k)]) for k in one.keys])
            for one in self.observations
        ]

    def by_tangents(self, weights: Array) -> _Linear:
        n = len(self.observations)
        error, jacobian = np.zeros((n, 3)), np.zeros((n, 3, self.size))
        self._own.clear()
        for i, (one, columns) in enumerate(zip(self.observations, self._columns, strict=True)):
            trials = weights[columns] + np.vstack(
                [np.zeros(len(columns)), STEP * np.eye(len(columns))]
            )
            lab = one.lab(_law_of(len(one.inks), trials), len(trials))
            by = ((lab[1:] - lab[0]) / STEP).T  # (3, own weights)
            jacobian[i][:, columns] = by
            error[i] = one.measured - lab[0] + by @ weights[columns]
            self._own.append(self._own_of(one, weights[columns], lab[0]))
        return _Linear(error, jacobian)

    @cached_property
    def _own(self) -> list[Array]:
        """Lab covariance (3, 3) that the recipe's own bends give at scale 1."""
        return []

    def _own_of(self, one: Observation, weights: Array, lab: Array) -> Array:
        m = len(one.inks)
        law = _law_of(m, weights)
        moved = [replace(law, own=step) for step in STEP * np.eye(len(PAIR_SD))]
        steps = STEP * np.eye(m)
        moved += [replace(law, log_strength=law.log_strength + step) for step in steps]
        moved += [replace(law, log_scatter=law.log_scatter + step) for step in steps]
        by = np.array([(one.lab(other, 1)[0] - lab) / STEP for other in moved])
        by *= np.concatenate([OWN * PAIR_SD, np.repeat(OWN_STRENGTHS, m)])[:, None]
        return by.T @ by

    def noise(self, doubt: Array, log_pair: float) -> Array:
        """(n, 3, 3) of every reading; what all mixes of the same inks share is not averaged."""
        each = [
            d * (a * one.unknown + one.scatter + np.exp(2 * log_pair) * own)
            for d, a, one, own in zip(doubt, self.alike, self.observations, self._own, strict=True)
        ]
        return np.array(each)

    def prior(self, log_ink: float, log_pair: float, odd: Array) -> Array:
        """Variance (p,) of the weights."""
        pairs = (self.size - self.inks.stop) // len(PAIR_SD)
        of_ink = np.exp(2 * log_ink) * STRENGTHS**2
        of_pair = (1 - OWN**2) * np.exp(2 * log_pair) * PAIR_SD**2
        inks, common = np.outer(odd, of_ink).ravel(), [COMMON_SD**2]
        return np.concatenate([common, inks, np.tile(of_pair, pairs)])

    def scales(self, at: _Linear, odd: Array, doubt: Array) -> tuple[float, float]:
        """The likeliest logs of the two scales, one after the other."""

        def likely(log_ink: float, log_pair: float) -> float:
            far = (log_ink**2 + log_pair**2) / (2 * SCALE_SPREAD**2)
            noise = self.noise(doubt, log_pair)
            return at.evidence(self.prior(log_ink, log_pair, odd), noise) - far

        ink, pair = 0.0, 0.0
        for _ in range(2):
            ink = max(SCALES, key=lambda s: likely(s, pair))
            pair = max(SCALES, key=lambda s: likely(ink, s))
        return float(ink), float(pair)
