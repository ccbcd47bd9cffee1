"""The colour of a mix of inks in print, over the actual base and garment, and how sure it is.

Absorption and scattering of a mix are the sums of its inks' by their share of the dry film (two
constants: Duncan 1940, Proc. Phys. Soc. 52, 390; `learn.mixing.transport` on why not K and S). The
mixed film then goes through the same physics as any other ink; what the history taught of each ink
(film, haze, soak, what physics misses) is mixed alike. A mix of one ink is that ink.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from learn.fit.linearisation import Rows, directions_of
from learn.mixing.transport import to_film, to_particles
from learn.physics import print_model
from learn.physics.print_model import State
from learn.predict.causes import Unseen
from learn.predict.garments import Joint, LeftOver, left_over, on_garments
from learn.predict.novelty import together

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel

Array = NDArray[np.float64]

N_DRAWS = 64  # of the weights, and as many mirrored
# What mixing adds: shares as weighed (common practice, no source), and of what K and S of the
# mix differ from plain sums, the share that is not known.
WEIGHING_SD = 0.01
UNSURE_SHARE = 0.4
COUNTS = 0.01  # share from which an ink makes a mix as unsure as itself


class _Inks(NamedTuple):
    """m inks on g garments, where the weights stand."""

    constants: Array
    log_k: Array  # (shelf, 31)
    log_s: Array
    K: Array  # (m, 31) of the inks to mix
    S: Array
    absorbs: Array  # (m, 31) by `learn.mixing.transport`
    scatters: Array
    shifts: Array  # (m, g, latents)
    free: Array  # (m, g, 3) Lab


class Mixed(NamedTuple):
    """M mixes on g garments."""

    joint: Joint
    unknown: Array  # (M, 3 g, 3 g) the part of the covariance that a test print reveals


@dataclass(frozen=True)
class Mixing:
    """Inks that may be mixed, at one set-up on some garments."""

    model: ShiftModel
    inks: list[str]
    garments: list[str]
    solids: Array  # (m,) share of each wet ink that stays
    rows: Rows  # m g, garments running fastest
    features: list[tuple[Array, Array]]
    spread: Array  # (m,) factor on standard deviations
    _mean: _Inks

    @classmethod
    def of(
        cls, model: ShiftModel, setup: Mapping[str, Any], garments: list[str], inks: list[str]
    ) -> Mixing:
        """Ready to mix ``inks`` for a set-up (its columns but ink and garment).

        Raises Unusable for an ink, mesh or garment that is in none of the shop's tables.
        """
        setups = pd.DataFrame([dict(setup)] * len(inks)).assign(ink_id=np.array(inks, object))
        if "ink_lot" in setups:
            setups["ink_lot"] = None
        rows = model._encode(on_garments(setups, garments))
        rows = model.layout_.with_ground(rows, model.weights_)
        features = model.layout_.features(rows, model.log_lengths_)
        g = len(garments)
        solids = np.exp(rows.stack.log_solids[::g])
        spread = model._spread(rows.X).reshape(-1, g).max(axis=1)
        mixing = cls(model, list(inks), garments, solids, rows, features, spread, None)
        return replace(mixing, _mean=mixing._at(model.weights_))

    def _at(self, w: Array) -> _Inks:
        layout, shape = self.model.layout_, (len(self.inks), len(self.garments))
        state = layout.state(w)
        shifts = layout.shifts(self.features, w, len(self.rows.stack))
        free = np.zeros((len(self.rows.stack), 3))
        for term, columns, (psi, _) in zip(
            layout.terms, layout.term_slices, self.features, strict=True
        ):
            if term.term.direction == "free":
                free += psi @ w[columns].reshape(3, -1).T
        top = self.rows.stack.ink[:: shape[1]]
        K, S = np.exp(state.log_k[top]), np.exp(state.log_s[top])
        return _Inks(
            state.constants,
            state.log_k,
            state.log_s,
            K,
            S,
            *to_particles(K, S),
            shifts.reshape(*shape, -1),
            free.reshape(*shape, 3),
        )

    def _printed(self, shares: Array, at: _Inks, unsure: tuple[float, float]) -> tuple:
        """Stack, state, shifts and free Lab of M mixes on g garments, (M g) rows."""
        M, g = len(shares), len(self.garments)
        tile = np.tile(np.arange(g), M)
        stack = self.rows.stack.take(tile)  # base, mesh, strokes and cloth are those of any ink
        held = np.repeat(-np.log(shares @ (1 / self.solids)), g)
        stack = replace(
            stack,
            ink=np.repeat(np.arange(M), g),
            base=np.where(stack.base >= 0, stack.base + M, -1),
            log_solids=held,
        )
        K, S = to_film(shares @ at.absorbs, shares @ at.scatters)
        # on the log scale, how far K and S moved from the plain sums, and may have moved less
        log_k = np.log(K) + unsure[0] * np.log(K / (shares @ at.K))
        log_s = np.log(S) + unsure[1] * np.log(S / (shares @ at.S))
        state = State(at.constants, np.vstack([log_k, at.log_k]), np.vstack([log_s, at.log_s]))
        shifts = np.einsum("Mm,mgl->Mgl", shares, at.shifts).reshape(M * g, -1)
        return stack, state, shifts, np.einsum("Mm,mgc->Mgc", shares, at.free)

    def lab(self, shares: Array) -> Array:
        """Predicted Lab (M, g, 3) of mixes by their shares (M, m) of the dry film."""
        shares = np.atleast_2d(shares)
        return self._lab(shares, self._mean, (0.0, 0.0))

    def _lab(self, shares: Array, at: _Inks, unsure: tuple[float, float]) -> Array:
        stack, state, shifts, free = self._printed(shares, at, unsure)
        lab = print_model.lab(stack, state, shifts, self.model.viewing_)
        return lab.reshape(free.shape) + free

    def predict(self, shares: Array) -> Mixed:
        """Colour and covariance over the garments of mixes ``shares`` (M, m)."""
        shares = np.atleast_2d(shares)
        mean = self.lab(shares)
        M, g = mean.shape[:2]
        rest = self._left_over(shares)
        unknown = self._by_draws(shares, mean) + rest.unknown
        factor = np.max(np.where(shares > COUNTS, self.spread, 1.0), axis=1) ** 2
        unknown = factor[:, None, None] * unknown
        total = unknown + factor[:, None, None] * rest.scatter
        return Mixed(Joint(mean, total.reshape(M, 3 * g, 3 * g), rest.scatter), unknown)

    def unseen(self, shares: Array) -> list[tuple[Unseen, ...]]:
        """What was never seen of the inks in each mix, and of their set-up, (M,)."""
        own = together(self.model.likeness_.unseen(self.rows.X), len(self.garments))
        return [
            tuple(dict.fromkeys(one for i in np.flatnonzero(row > COUNTS) for one in own[i]))
            for row in np.atleast_2d(shares)
        ]

    def _by_draws(self, shares: Array, mean: Array) -> Array:
        """Covariance from what is not known of the weights, and from mixing itself."""
        model, (M, m) = self.model, shares.shape
        rng = np.random.default_rng(1940)
        z = rng.standard_normal((N_DRAWS, len(model.weights_)))
        away = solve_triangular(model.posterior_.root, z.T, check_finite=False).T
        total = np.zeros((M, mean[0].size, mean[0].size))
        for step in away:
            weighed = WEIGHING_SD * rng.standard_normal(m)
            k, s = UNSURE_SHARE * rng.standard_normal(2)
            for sign in (1, -1):
                taken = shares * np.exp(sign * weighed)
                taken /= taken.sum(axis=1, keepdims=True)
                at = self._at(model.weights_ + sign * step)
                lab = self._lab(taken, at, (sign * k, sign * s))
                off = (lab - mean).reshape(M, -1)
                total += off[:, :, None] * off[:, None, :]
        return total / (2 * N_DRAWS)

    def _left_over(self, shares: Array) -> LeftOver:
        stack, state, shifts, _ = self._printed(shares, self._mean, (0.0, 0.0))
        u = directions_of(print_model.tangents(stack, state, shifts, self.model.viewing_))
        m, g = len(self.inks), len(self.garments)
        remainders = []
        for term, (_, rest) in zip(self.model.layout_.terms, self.features, strict=True):
            # what is not known of each ink by itself evens out, what belongs to the press does not
            own = term.term.levels in ("ink", "lot")
            part = np.einsum("Mm,mg->Mg", shares**2 if own else shares, rest.reshape(m, g))
            remainders.append(part.ravel())
        readings = np.tile(self.rows.readings[:g], len(shares))
        instrument = self.model.settings_.repeatability_dE00**2 / readings
        return left_over(self.model, remainders, u, instrument, g)
