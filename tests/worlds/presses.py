"""Presses through the weeks: steady, stepping, wandering, drifting on, drifting and mended."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]

AFTER_DAYS = 170  # how far behind the history a press's state is known
STATES = ("steady", "step", "wander", "mended")
UNKNOWN_PRESSES = 4


@dataclass(frozen=True)
class Presses:
    """Log film of every press day by day, (n, days); those never printed on stand last."""

    names: list[str]
    level: Array
    states: list[str]
    drifting: int  # the press that drifts on after the history
    n_printed: int

    def on(self, press: NDArray[np.intp], day: Array) -> Array:
        """Log film (n,)."""
        last = self.level.shape[1] - 1
        return self.level[press, np.clip(day, 0, last).astype(int)]


def draw_presses(rng: np.random.Generator, n: int, days: int) -> Presses:
    """``n`` presses of which the last drifts on, and some that are never printed on."""
    day = np.arange(days + AFTER_DAYS)
    spread = rng.uniform(0.04, 0.11)
    level, states = [], []
    for i in range(n + UNKNOWN_PRESSES):
        own = spread * rng.standard_t(5)
        if i == n - 1:
            state = "drifts on"
            start = days - rng.uniform(20, min(150, 0.6 * days))
            rate = rng.choice([-1, 1]) * rng.uniform(0.10, 0.24) / 150
            line = rate * np.maximum(day - start, 0)
        else:
            state = str(rng.choice(STATES)) if i < n else "steady"
            line = _line(rng, state, day, days)
        level.append(own + line)
        states.append(state)
    names = [f"R{i + 1}" for i in range(n)] + [f"R{90 + i}" for i in range(UNKNOWN_PRESSES)]
    return Presses(names, np.array(level), states, n - 1, n)


def _line(rng: np.random.Generator, state: str, day: Array, days: int) -> Array:
    """What time does to a press; nothing more happens near the history's end but wandering."""
    if state == "step":
        size = rng.choice([-1, 1]) * rng.uniform(0.05, 0.15)
        return size * (day >= rng.uniform(0.2, 0.85) * days)
    if state == "wander":
        keep = np.exp(-1 / rng.uniform(30, 120))
        shocks = rng.normal(0, rng.uniform(0.02, 0.05) * np.sqrt(1 - keep**2), len(day))
        found = np.zeros(len(day))
        for i in range(1, len(day)):
            found[i] = keep * found[i - 1] + shocks[i]
        return found
    if state == "mended":
        start, end = np.sort(rng.uniform(0.1, 0.9, 2)) * days
        rate = rng.choice([-1, 1]) * rng.uniform(0.08, 0.2) / 150
        return np.where(day < end, rate * np.maximum(day - start, 0), 0.0)
    return np.zeros(len(day))
