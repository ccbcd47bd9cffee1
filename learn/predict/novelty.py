"""What about a set-up the history has never seen, in numbers and in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.fit.encoding import SCALES
from learn.predict.calibration import FEW_PRINTS

# How a process number is called on the press floor, and how far beyond the history's
# range (in usual steps of features.SCALES) it may go before it counts as outside.
NUMBERS = {
    "log_volume": ("mesh ink volume", 0.15),
    "strokes": ("number of strokes", 0.5),
    "flashes": ("number of flashes", 0.5),
    "squeegee_shore_a": ("squeegee durometer", 0.5),
    "squeegee_angle_deg": ("squeegee angle", 0.5),
    "off_contact_mm": ("off-contact", 0.5),
    "eom_um": ("stencil thickness", 0.5),
}
LEVELS = {
    "ink": "ink",
    "garment": "substrate",
    "mesh": "mesh",
    "press": "press",
    "ground": "ground",
}
UNSEEN = {s: f"with {s}" for s in LEVELS} | {"ground": "on a ground that is"}
LATER_DAYS = 14


@dataclass(frozen=True)
class Likeness:
    """Counts and ranges of a history."""

    counts: dict[str, dict[str, int]]  # situation -> level -> prints
    ranges: dict[str, tuple[float, float]]  # scaled
    last_day: float  # scaled; -inf without dates

    @classmethod
    def of(cls, X: pd.DataFrame) -> Likeness:
        """From the encoded features of the prints learnt from."""
        counts = {s: X[c].value_counts().to_dict() for s, c in LEVELS.items()}
        ranges = {}
        for column in NUMBERS:
            known = X[column].dropna()
            if len(known):
                ranges[column] = (float(known.min()), float(known.max()))
        days = X["day"].dropna()
        return cls(counts, ranges, float(days.max()) if len(days) else -np.inf)

    def with_more(self, other: Likeness) -> Likeness:
        """Of two histories together."""
        counts = {
            s: {k: own.get(k, 0) + other.counts[s].get(k, 0) for k in own | other.counts[s]}
            for s, own in self.counts.items()
        }
        both = self.ranges.keys() | other.ranges.keys()
        ends = {c: [r[c] for r in (self.ranges, other.ranges) if c in r] for c in both}
        ranges = {c: (min(e[0] for e in v), max(e[1] for e in v)) for c, v in ends.items()}
        return Likeness(counts, ranges, max(self.last_day, other.last_day))

    def seen(self, X: pd.DataFrame, situation: str) -> NDArray[np.intp]:
        """How many prints the history has of each set-up's level; -1 where it is missing."""
        column = X[LEVELS[situation]]
        counted = column.map(self.counts[situation]).fillna(0).astype(int)
        return counted.where(column.notna(), -1).to_numpy()

    def situations(self, X: pd.DataFrame) -> dict[str, NDArray[np.bool_]]:
        """Which set-ups are in which situation of `learn.predict.calibration`, but "outside"."""
        unseen = {s: self.seen(X, s) == 0 for s in LEVELS}
        unseen["later"] = X["day"].to_numpy() > self.last_day + LATER_DAYS / SCALES["day"]
        return unseen

    def numbers_outside(self, X: pd.DataFrame) -> NDArray[np.intp]:
        """How many process numbers of each set-up lie outside all past prints, (n,)."""
        return np.sum([low | high for *_, low, high in self._beyond(X)], axis=0)

    def _beyond(self, X: pd.DataFrame) -> list[tuple[str, NDArray[np.bool_], NDArray[np.bool_]]]:
        """Every process number: its name, and who is below or above all past prints."""
        out = []
        for column, (name, slack) in NUMBERS.items():
            lo, hi = self.ranges.get(column, (-np.inf, np.inf))
            values = X[column].to_numpy(float)
            out.append((name, values < lo - slack, values > hi + slack))
        return out

    def few(self, X: pd.DataFrame) -> NDArray[np.bool_]:
        """Set-ups whose ink has been printed, but fewer than FEW_PRINTS times."""
        seen = self.seen(X, "ink")
        return (seen > 0) & (seen < FEW_PRINTS)

    def in_words(self, X: pd.DataFrame) -> list[str]:
        """What was never seen about each set-up; empty where everything was."""
        words: list[list[str]] = [[] for _ in range(len(X))]
        for situation, column in LEVELS.items():
            levels = X[column].to_numpy()
            for i in np.flatnonzero(self.seen(X, situation) == 0):
                words[i].append(f"no print yet {UNSEEN[situation]} {levels[i]}")
        for i in np.flatnonzero(self.few(X)):
            words[i].append(f"only a few prints of ink {X['ink'].iloc[i]}")
        for name, low, high in self._beyond(X):
            for i in np.flatnonzero(low | high):
                words[i].append(f"{name} {'below' if low[i] else 'above'} all past prints")
        return ["; ".join(w) for w in words]
