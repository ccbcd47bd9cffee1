"""Inks fitted to their cards once a run: most tests learn from the same few inks of the demo."""

from __future__ import annotations

import pickle
from collections import OrderedDict
from collections.abc import Callable
from hashlib import sha256
from typing import Any

import numpy as np

from learn.physics import shelf

KEPT = 1000  # inks, 30 kB each

Fit = tuple[np.ndarray, np.ndarray]


def fit_once() -> None:
    """From now on a shelf takes what an ink's cards have led to before: a pure function of them.

    `tests/physics` tries the fit itself, which stays as it is.
    """
    shelf.fitted = _once(shelf.fitted)


def _once(fitted: Callable[..., Fit]) -> Callable[..., Fit]:
    found: OrderedDict[bytes, Fit] = OrderedDict()

    def again(*cards: Any) -> Fit:
        key = sha256(pickle.dumps(cards)).digest()
        if key not in found:
            found[key] = fitted(*cards)
        found.move_to_end(key)
        if len(found) > KEPT:
            found.popitem(last=False)
        mean, covariance = found[key]
        return mean.copy(), covariance.copy()

    return again
