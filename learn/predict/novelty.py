"""What about a set-up the history has never seen."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.fit import contradiction
from learn.fit.contradiction import Apart, Contradicting, Level
from learn.fit.fitting import FEW_PRINTS
from learn.fit.linearisation import GROUND_SCALES
from learn.fit.residual import INK_TAILS
from learn.gp.terms import band_of
from learn.predict.calibration import SITUATIONS
from learn.predict.causes import Unseen
from learn.process import NUMBERS, SETTINGS

Array = NDArray[np.floating]

# What somebody is told of when it lies outside all past prints.
TOLD = [number for number in NUMBERS if number.word]
# Levels that are counted: those that widen a band, and some that the situations of a calibration
# do not hold apart: a screen may be usual, but never for a base; an ink too, but none of its type
# over a base of that type, nor straight on such cloth.
LEVELS = {
    **SITUATIONS,
    "base": "base_ink",
    "base mesh": "base_mesh",
    "over": "over",
    "straight on": "straight_on",
    "laid_on": "laid_on",
}
# A setting that no past print tells is taken as its usual one, and no term has learnt what it does:
# beyond so many usual steps of that nobody knows.
UNTOLD = {s.name: (s.usual / s.step - 2, s.usual / s.step + 2) for s in SETTINGS}
# Every new bucket of an ink is a lot never printed: its band is wider, but nobody is told.
TOLD_LEVELS = [what for what in LEVELS if what not in ("lot", "laid_on")]
# What prints may wait of, and its column (`learn.monitoring.waiting`).
WAITED = {"lot": "lot", "press": "era", "mesh": "mesh", "ink": "ink", "garment": "laid_on"}
DAY = next(number.step for number in NUMBERS if number.name == "day")
# The factor of an ink never printed here that other plants told of (`learn.predict.telling`).
TOLD_INK = "ink told"
# So long after the last print a set-up is as "later" as, on average, the stretches that were left
# out; the longest of these go twice as far.
LATER_DAYS, LATEST = 30, 2.0
# From so many inks, garments, presses, ... on these show that a new one may be surer than usual.
# Two or three hardly do: by two presses 90 % bands on a third held 88 % instead of 98, on a shop
# of another world.
ENOUGH_LEVELS = 5
CHANNELS = 3  # L, a, b: what one print tells of an ink
# What cloth does to a film thinner than any it has borne bare nobody has seen: for an e-fold beyond
# the first tenth, and no more after it, variance rises by so much; by half of it where nothing was
# printed on the garment but over a base.
THINNER, NEVER_BARE, BORNE = 1.2, 0.5, 0.1
# What other types of ink say of a type straight on such cloth is twice as far off: by so much
# variance rises. An assumption that nothing goes by: it is tested first.
OF_OTHER_TYPES = 3.0
# A base never printed may be picked up by what goes over it, or lie otherwise than its card: that
# the history's own base does so its inks have learnt as theirs. By so much variance rises.
NEW_BASE = 1.0


@dataclass(frozen=True)
class Likeness:
    """Counts and ranges of a history."""

    counts: dict[str, dict[str, int]]  # key of `LEVELS` -> level -> prints
    ranges: dict[str, tuple[float, float]]  # scaled
    last_day: float  # scaled; -inf without dates
    thinnest: dict[str, float]  # garment -> log of the thinnest film printed bare on it
    told: frozenset[str] = frozenset()  # inks that other plants told of
    # levels whose prints do not fit all else, and how far these lie
    contradict: Mapping[Level, Apart] = field(default_factory=dict)
    # levels of which prints wait for a decision, and how far those lie; not stored
    waits: Mapping[Level, Apart] = field(default_factory=dict)

    @classmethod
    def of(cls, X: pd.DataFrame) -> Likeness:
        """From the encoded features of the prints learnt from."""
        counts = {s: X[c].value_counts().to_dict() for s, c in LEVELS.items()}
        ranges = {}
        for number in TOLD:
            known = X[number.name].dropna()
            if len(known):
                ranges[number.name] = (float(known.min()), float(known.max()))
        days = X["day"].dropna()
        bare = X[X["bare"].astype(bool)]
        thinnest = _log_film(bare).groupby(bare["substrate"]).min().to_dict()
        return cls(counts, ranges, float(days.max()) if len(days) else -np.inf, thinnest)

    def with_more(self, other: Likeness) -> Likeness:
        """Of two histories together."""
        counts = {
            s: {k: own.get(k, 0) + other.counts[s].get(k, 0) for k in own | other.counts[s]}
            for s, own in self.counts.items()
        }
        both = self.ranges.keys() | other.ranges.keys()
        ends = {c: [r[c] for r in (self.ranges, other.ranges) if c in r] for c in both}
        ranges = {c: (min(e[0] for e in v), max(e[1] for e in v)) for c, v in ends.items()}
        films = [self.thinnest, other.thinnest]
        thinnest = {k: min(f[k] for f in films if k in f) for f in films for k in f}
        day = max(self.last_day, other.last_day)
        return replace(self, counts=counts, ranges=ranges, last_day=day, thinnest=thinnest)

    def contradicted_by(self, found: Contradicting) -> Likeness:
        """With levels whose prints were found not to fit, or to fit by now."""
        off = {level: apart for level, apart in {**self.contradict, **found}.items() if apart}
        return replace(self, contradict=off)

    def with_prints(
        self, X: pd.DataFrame, error: Array, far: NDArray[np.bool_], gross: NDArray[np.bool_]
    ) -> Likeness:
        """After prints (n,), some of them ``far`` off what was expected or ``gross`` errors, by
        ``error`` (n, 3)."""
        seen = {column: self.seen(X, column) for column in contradiction.LEVELS}
        return self.contradicted_by(contradiction.contradicting_since(X, error, far, gross, seen))

    def waited_for(self, waits: Mapping[Level, Apart]) -> Likeness:
        """With levels of which prints wait for a decision."""
        return replace(self, waits=waits)

    def with_lots(self, levels: Iterable[str]) -> Likeness:
        """With lots that are known by a card, which counts as a print."""
        lots = self.counts["lot"]
        more = {level: lots.get(level, 0) + 1 for level in levels}
        return replace(self, counts={**self.counts, "lot": lots | more})

    def nothing_of(self, blank: Iterable[str]) -> list[str]:
        """Of inks of which nothing is measured those of which nothing was printed either, as ink
        or as base, nor told by other plants."""
        known = {*self.counts["ink"], *self.counts["base"], *self.told}
        return [ink for ink in blank if ink not in known]

    def seen(self, X: pd.DataFrame, what: str) -> NDArray[np.intp]:
        """How many prints the history has of each set-up's level; -1 where it is missing."""
        codes, levels = pd.factorize(X[LEVELS[what]])  # -1 where it is missing
        counts = self.counts[what]
        return np.array([*(counts.get(level, 0) for level in levels), -1], int)[codes]

    def situations(self, X: pd.DataFrame) -> dict[str, NDArray[np.bool_]]:
        """Which set-ups are in which situation of `learn.predict.calibration`, but "outside"."""
        unseen = {s: self.seen(X, s) == 0 for s in SITUATIONS}
        unseen["lot"] &= ~unseen["ink"]  # no lot of such an ink was: its own factor says so
        return unseen

    def later(self, X: pd.DataFrame) -> NDArray[np.float64]:
        """How much "later" each set-up is, (n,): 0 until the last print learnt from, and where the
        day is not known; then in proportion to the days, as the variance of what wanders."""
        days = (X["day"].to_numpy(float) - self.last_day) * DAY
        return np.nan_to_num(np.clip(days / LATER_DAYS, 0.0, LATEST), nan=0.0)

    def thinner(self, X: pd.DataFrame) -> NDArray[np.float64]:
        """By how much (n,), in log film up to 1, each film is thinner than any its garment has
        borne bare."""
        borne = X["substrate"].map(self.thinnest).to_numpy(float)
        beyond = np.clip(borne - _log_film(X).to_numpy(float) - BORNE, 0.0, 1.0)
        beyond = np.where(np.isnan(borne), NEVER_BARE, beyond)
        known = self.seen(X, "garment") > 0  # one that is new is wide as such
        return np.where(X["bare"].to_numpy(bool) & known, beyond, 0.0)

    def numbers_outside(self, X: pd.DataFrame) -> NDArray[np.intp]:
        """How many process numbers of each set-up lie outside all past prints, (n,)."""
        return np.sum([low | high for *_, low, high in self._beyond(X)], axis=0)

    def _beyond(self, X: pd.DataFrame) -> list[tuple[str, NDArray[np.bool_], NDArray[np.bool_]]]:
        """Every process number, and who is below or above all past prints."""
        out = []
        for number in TOLD:
            usual = UNTOLD.get(number.name, (-np.inf, np.inf))
            lo, hi = self.ranges.get(number.name, usual)
            values = X[number.name].to_numpy(float)
            out.append((number.name, values < lo - number.slack, values > hi + number.slack))
        return out

    def few(self, X: pd.DataFrame) -> NDArray[np.bool_]:
        """Set-ups whose ink has been printed, but fewer than FEW_PRINTS times."""
        seen = self.seen(X, "ink")
        return (seen > 0) & (seen < FEW_PRINTS)

    def never(self, X: pd.DataFrame, what: str) -> NDArray[np.bool_]:
        """Set-ups (n,) of which something of `LEVELS` was never printed.

        A type of ink straight on dark or light cloth counts as such where only other types were
        printed so: where none was, what such cloth does is as open as before any print, and bands
        are as wide.
        """
        new = self.seen(X, what) == 0
        if what == "straight on":
            printed = {level.partition("\x1f")[2] for level in self.counts[what]}
            new &= [str(one).partition("\x1f")[2] in printed for one in X[LEVELS[what]]]
        return new

    def contradicts(self, X: pd.DataFrame, column: str) -> NDArray[np.bool_]:
        """Set-ups (n,) whose level of ``column`` has prints that do not fit all else."""
        return X[column].isin([level for of, level in self.contradict if of == column]).to_numpy()

    def apart(self, X: pd.DataFrame) -> Array:
        """Lab (n, 3) by which prints of each set-up's ink, garment, lot, ... were off where they do
        not fit, or wait: one sd of what is right, alike on all its prints."""
        off = np.array([*self._off().values(), (0.0, 0.0, 0.0)])
        out: Array = off[self.apart_by(X)]
        return out

    def apart_by(self, X: pd.DataFrame) -> NDArray[np.intp]:
        """Which of all that is off, or waits, each set-up is off by, (n,): -1 by nothing."""
        out, most = np.full(len(X), -1), np.zeros(len(X))
        for i, ((column, level), apart) in enumerate(self._off().items()):
            size = float(np.linalg.norm(apart))
            more = _may_be(X[column], level) & (size > most)
            out[more], most[more] = i, size
        return out

    def _off(self) -> dict[Level, Apart]:
        return {**self.contradict, **self.waits}

    def spread(self, X: pd.DataFrame, factors: dict[str, float]) -> NDArray[np.float64]:
        """Factor (n,) on the standard deviation of each set-up, by those of its situations."""
        usual = factors["job"] ** 2
        n, later = len(X), self.later(X)
        own = {s: np.full(n, self._earned(s, factors)) for s in SITUATIONS}
        if self.told:
            own["ink"][X["ink"].isin(self.told).to_numpy()] = factors[TOLD_INK]
        between = {s: factors["job"] * factor for s, factor in own.items()}  # half-way
        # no further below than that: what is new is surer once it was printed
        variances = {s: np.maximum(own[s] ** 2, between[s]) for s in SITUATIONS}
        # so few prints say little of how far an ink is off
        few = between["ink"] * band_of(INK_TAILS + CHANNELS * np.maximum(self.seen(X, "ink"), 0))
        on = factors["later"] ** 2 - usual  # what it adds to be later
        situations = self.situations(X)
        new = np.array(list(situations.values()))
        more = np.array([variances[s] for s in situations]) - usual
        # where prints left out show less of all that is new, the most of these holds
        less = np.where(new.any(axis=0), np.where(new, more, -np.inf).max(axis=0), 0.0)
        outside = np.full(n, factors["outside"] ** 2)
        times = np.array([*new, self.few(X), self.numbers_outside(X), later > 0])
        more = np.array([*more, few - usual, outside - usual, later * on])
        # what each of several adds to the usual variance adds up
        whole = usual + np.minimum(less, 0.0) + (times * np.maximum(more, 0.0)).sum(axis=0)
        stranger = OF_OTHER_TYPES * self.never(X, "straight on")
        if self.counts["base"]:  # else inks have taken up none
            stranger = stranger + NEW_BASE * self.never(X, "base")
        return np.sqrt(whole * (1 + THINNER * self.thinner(X) + stranger))

    def _earned(self, situation: str, factors: dict[str, float]) -> float:
        """The factor of a situation; of few levels none below the usual one."""
        enough = len(self.counts.get(situation, ())) >= ENOUGH_LEVELS
        return factors[situation] if enough else max(factors[situation], factors["job"])

    def unseen(self, X: pd.DataFrame, blank: Collection[str] = ()) -> list[tuple[Unseen, ...]]:
        """What was never seen, or hardly, about each set-up; empty where everything was.

        ``blank``: inks of which nothing is measured.
        """
        found: list[list[Unseen]] = [[] for _ in range(len(X))]
        nothing = self.nothing_of(blank)
        off = {column: self.contradicts(X, column) for column in contradiction.LEVELS}
        for what in TOLD_LEVELS:
            never = self.never(X, what)
            levels = (_lies_on(X) if what == "ground" else X[LEVELS[what]]).to_numpy()
            for i in np.flatnonzero(never & ~off.get(what, False)):
                known = what not in ("ink", "base") or levels[i] not in nothing
                found[i].append(Unseen(what, "never" if known else "nothing", str(levels[i])))
        for i in np.flatnonzero(self.few(X) & ~off["ink"]):
            found[i].append(Unseen("ink", "few", str(X["ink"].iloc[i])))
        for what, column in {"ink": "ink", "garment": "laid_on", "lot": "lot"}.items():
            levels = X[LEVELS[what]].to_numpy()
            for i in np.flatnonzero(off[column]):
                found[i].append(Unseen(what, "contradict", str(levels[i])))
        for column, level in self.waits:
            what = next(what for what, of in WAITED.items() if of == column)
            for i in np.flatnonzero(_may_be(X[column], level)):
                found[i].append(Unseen(what, "waits", level))
        for column, low, high in self._beyond(X):
            told = column in self.ranges
            for i in np.flatnonzero(low | high):
                how = ("below" if low[i] else "above") if told else "untold"
                found[i].append(Unseen(column, how))
        return [tuple(one) for one in found]


def _may_be(levels: pd.Series, level: str) -> NDArray[np.bool_]:
    """Which set-ups (n,) are of a level, or may be: a press that nobody named is any."""
    return ((levels == level) | (levels.isna() & (levels.name == "era"))).to_numpy(bool)


def _lies_on(X: pd.DataFrame) -> pd.Series:
    """The garment of each set-up and its base, whose colour is a ground's: (n,)."""
    base = X["base_ink"].astype(object)
    return X["substrate"].astype(str) + "\x1f" + base.where(base.notna(), "").astype(str)


def _log_film(X: pd.DataFrame) -> pd.Series:
    return X["log_film"].astype(float) * GROUND_SCALES["log_film"]


def together(unseen: list[tuple[Unseen, ...]], g: int) -> list[tuple[Unseen, ...]]:
    """What was never seen of every ``g`` rows in turn, each thing once."""
    groups = [unseen[i : i + g] for i in range(0, len(unseen), g)]
    return [tuple(dict.fromkeys(one for row in group for one in row)) for group in groups]
