"""Ends that a free number may near and never reaches.

Where it stopped at once, no slope would lead back: a weight beyond is told by no print, its whole
step leads towards the prior, and where light bends there no share of the step pays.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]

BEND = 4  # half-way there nearly as if there were no end


def bounded(x: Array | float, most: Array | float) -> Array:
    """``x``, ever more slowly as it nears ``most``, on either side of zero."""
    return np.divide(x, (1.0 + np.divide(x, most) ** BEND) ** (1.0 / BEND))


def between(x: Array, low: float, usual: float, high: float) -> Array:
    """``x``, ever more slowly as it nears ``low`` or ``high``, and as it is near the ``usual``."""
    away = x - usual
    return usual + bounded(away, np.where(away > 0, high - usual, usual - low))
