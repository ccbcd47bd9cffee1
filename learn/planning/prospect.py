"""What is believed of set-ups now, and what will be once one of them has been printed.

A print changes more than it teaches: an ink is judged by its own prints from the first on, no
longer by what carries over to an ink never printed, and the spread factors are those of what has
then been printed. Both are known before the reading is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.gp.covariance import Belief

if TYPE_CHECKING:
    from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]


class Prospect(NamedTuple):
    """n set-ups, without spread factors."""

    now: Belief  # as predicted
    printed: Belief  # as each will be once its ink has been printed, but for what that print tells
    ink: NDArray[np.intp]  # (n,) which it is of each

    @classmethod
    def of(
        cls, model: PrintModel, setups: pd.DataFrame, screen: NDArray[np.intp] | None = None
    ) -> Prospect:
        """``screen`` as `learn.predict.protocol.PrintModel.between` takes it."""
        now = model.between(setups, screen)
        ink, names = pd.factorize(setups["ink_id"])
        new = any(model.prints_of(name) == 0 for name in names)
        printed = model.between(setups, screen, after=setups) if new else now
        return cls(now, printed, ink)

    def once(self, t: int) -> Belief:
        """What will be believed once set-up ``t`` is printed, but for what its reading tells."""
        if self.printed is self.now:
            return self.now
        ours = self.ink == self.ink[t]
        both = (ours[:, None] & ours)[:, None, :, None]
        return Belief(
            np.where(ours[:, None], self.printed.mean, self.now.mean),
            np.where(both, self.printed.unknown, self.now.unknown),
            self.now.scatter,
        )

    def after(self, t: int, reading: Array) -> Prospect:
        """With set-up ``t`` printed and read as ``reading`` (3,)."""
        now = self.once(t).after(t, reading)
        same = self.printed is self.now
        return Prospect(now, now if same else self.printed.after(t, reading), self.ink)

    def of_rows(self, at: NDArray[np.intp] | NDArray[np.bool_]) -> Prospect:
        """Of some of the set-ups alone."""
        now = self.now.of(at)
        printed = now if self.printed is self.now else self.printed.of(at)
        return Prospect(now, printed, self.ink[at])


def spread_after(
    model: PrintModel, setups: pd.DataFrame, before: pd.DataFrame | None = None
) -> Array:
    """Spread factors (t, n) of n set-ups once each of them by itself has been printed, and all of
    ``before`` too."""
    rows = [setups.iloc[[t]] for t in range(len(setups))]
    if before is not None and len(before):
        rows = [pd.concat([before, row]) for row in rows]
    return model.spreads(setups, rows)
