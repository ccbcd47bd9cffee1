"""Set-ups as the physics has them, open to change: for whoever mixes what is printed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.fit.linearisation import directions_of
from learn.physics import print_model
from learn.physics.print_model import Stack, State
from learn.predict.carrying import carried
from learn.predict.causes import Unseen
from learn.predict.together import LeftOver, left_over

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel

Array = NDArray[np.floating]


class Optics(NamedTuple):
    """n set-ups at some weights."""

    state: State  # constants of the shop, K and S of its inks
    shifts: Array  # (n, latents)
    free: Array  # (n, 3) Lab added at the end


class Unshared(NamedTuple):
    """What one term does not carry."""

    levels: str | None  # what it belongs to: a column of the features
    share: Array  # (n,) of its prior variance


@dataclass(frozen=True)
class InPrint:
    """n set-ups and the weights they depend on."""

    model: ShiftModel
    stack: Stack
    readings: Array  # (n,)
    spread: Array  # (n,) factor on standard deviations
    unseen: list[tuple[Unseen, ...]]  # n
    features: list[tuple[Array, Array]]  # of every term: values and remainder
    carried: Array  # (n, 3) Lab added where the ink was never printed

    @classmethod
    def of(cls, model: ShiftModel, setups: pd.DataFrame) -> InPrint:
        """As ``model`` has learnt them; raises Unusable for what is in none of the tables."""
        rows = model.layout_.with_ground(model.encode(setups), model.weights_)
        layout, w = model.layout_, model.weights_
        features = layout.features(rows, model.log_lengths_)
        learnt = layout.lab(rows, w, features)
        return cls(
            model,
            rows.stack,
            rows.readings,
            model.likeness_.spread(rows.X, model.spread_factors_),
            model.likeness_.unseen(rows.X, model.shelf_.blank),
            features,
            carried(model, rows, learnt).mean - learnt,
        )

    @property
    def n_weights(self) -> int:
        return self.model.layout_.size

    def away(self, z: Array) -> Array:
        """Weights (k, p) away from their mean, drawn by standard normal ``z`` (k, p)."""
        return self.model.posterior_.solved(z.T).T

    def at(self, away: Array | float = 0.0) -> Optics:
        """The optics at weights ``away`` (p,) from their mean."""
        layout, w, n = self.model.layout_, self.model.weights_ + away, len(self.stack)
        free = layout.with_free(self.carried, w, self.features)
        return Optics(layout.state(w), layout.shifts(self.features, w, n), free)

    def lab(self, stack: Stack, optics: Optics) -> Array:
        """Lab (m, 3) of other prints than these, with what is known of these."""
        viewing = self.model.viewing_
        return print_model.lab(stack, optics.state, optics.shifts, viewing) + optics.free

    def unshared(self) -> list[Unshared]:
        """What every term does not carry of these set-ups."""
        terms = [fitted.term for fitted in self.model.layout_.terms]
        return [Unshared(t.levels, rest) for t, (_, rest) in zip(terms, self.features, strict=True)]

    def left_over(
        self, stack: Stack, optics: Optics, shares: list[Array], readings: Array, g: int
    ) -> LeftOver:
        """What the weights do not carry of other prints, g garments a job; ``shares``: a term
        each, (m,)."""
        tangents = print_model.tangents(stack, optics.state, optics.shifts, self.model.viewing_)
        instrument = self.model.settings_.repeatability_dE00**2 / readings
        return left_over(self.model, shares, directions_of(tangents), instrument, g)
