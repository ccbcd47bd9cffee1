"""The colour of a mix of inks in print, over the actual base and garment, and how sure it is.

Absorption and scattering of a mix are the sums of its inks' by their share of the dry film (two
constants: Duncan 1940, Proc. Phys. Soc. 52, 390; `learn.mixing.transport` on why not K and S),
each by its strengths (`learn.mixing.strength`). The mixed film then goes through the same
physics as any other ink; what the history taught of each ink (film, haze, soak, what physics
misses) is mixed alike. A mix of one ink is that ink.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.mixing.families import refuse_crossing
from learn.mixing.law import Law
from learn.mixing.strength import Strengths
from learn.mixing.transport import to_film, to_particles
from learn.physics.print_model import Stack, State
from learn.predict.causes import Unseen
from learn.predict.garments import on_garments
from learn.predict.in_print import InPrint, Optics
from learn.predict.novelty import together
from learn.predict.protocol import Joint
from learn.predict.together import LeftOver

if TYPE_CHECKING:
    from learn.predict.protocol import MixModel

Array = NDArray[np.floating]

N_DRAWS = 64  # of the weights, and as many mirrored
WEIGHING_SD = 0.01  # of a share as weighed (common practice, no source)
COUNTS = 0.01  # share from which an ink makes a mix as unsure as itself


class Inks(NamedTuple):
    """m inks on g garments, at some weights."""

    constants: Array
    log_k: Array  # (shelf, 31)
    log_s: Array
    absorbs: Array  # (m, 31) of the inks to mix, by `learn.mixing.transport`
    scatters: Array
    shifts: Array  # (m, g, latents)
    free: Array  # (m, g, 3) Lab


class Way(NamedTuple):
    """One way in which it may really be."""

    away: Array  # (p,) weights from their mean
    weighed: Array  # (m,) log error of the shares
    law: Law


class Mixed(NamedTuple):
    """M mixes on g garments."""

    joint: Joint
    unknown: Array  # (M, 3 g, 3 g) the part of the covariance that a test print reveals


@dataclass(frozen=True)
class Mixing:
    """Inks that may be mixed, at one set-up on some garments."""

    model: MixModel
    inks: list[str]
    garments: list[str]
    solids: Array  # (m,) share of each wet ink that stays
    pure: InPrint  # m g set-ups of one ink each, garments running fastest
    spread: Array  # (m,) factor on standard deviations
    strengths: Strengths = field(default_factory=Strengths)

    @classmethod
    def of(
        cls,
        model: MixModel,
        setup: Mapping[str, Any],
        garments: list[str],
        inks: list[str],
        strengths: Strengths | None = None,
        lots: Mapping[str, str] | None = None,
    ) -> Mixing:
        """Ready to mix ``inks`` for a set-up (its columns but ink and garment), each from its lot
        of ``lots``, or from one that is not known.

        Raises Unusable for an ink, mesh or garment that is in none of the shop's tables, and for
        inks that may not go into one bucket (`learn.mixing.families`).
        """
        types = model.encoder_.inks["ink_type"]
        refuse_crossing(types[types.index.isin(inks)], model.settings_.mixable)
        setups = pd.DataFrame([dict(setup)] * len(inks)).assign(ink_id=np.array(inks, object))
        setups["ink_lot"] = np.array([(lots or {}).get(ink) for ink in inks], object)
        pure, g = model.in_print(on_garments(setups, garments)), len(garments)
        solids = np.exp(pure.stack.log_solids[::g])
        spread = pure.spread.reshape(-1, g).max(axis=1)
        known = strengths or Strengths()
        return cls(model, list(inks), garments, solids, pure, spread, known)

    @cached_property
    def _mean(self) -> Inks:
        return self._at(0.0)

    @cached_property
    def law(self) -> Law:
        """How the inks mix, as is likeliest."""
        return self.strengths.law(self.inks)

    def _at(self, away: Array | float) -> Inks:
        """The inks at weights ``away`` from their mean."""
        shape = (len(self.inks), len(self.garments))
        state, shifts, free = self.pure.at(away)
        top = self.pure.stack.ink[:: shape[1]]
        return Inks(
            state.constants,
            state.log_k,
            state.log_s,
            *to_particles(np.exp(state.log_k[top]), np.exp(state.log_s[top])),
            shifts.reshape(*shape, -1),
            free.reshape(*shape, 3),
        )

    def _printed(self, shares: Array, at: Inks, law: Law) -> tuple[Stack, Optics]:
        """M mixes on g garments, (M g) rows."""
        M, g = len(shares), len(self.garments)
        tile = np.tile(np.arange(g), M)
        stack = self.pure.stack.take(tile)  # base, mesh, strokes and cloth are those of any ink
        held = np.repeat(-np.log(shares @ (1 / self.solids)), g)
        stack = replace(
            stack,
            ink=np.repeat(np.arange(M), g),
            base=np.where(stack.base >= 0, stack.base + M, -1),
            log_solids=held,
        )
        K, S = to_film(*law.blend(shares).of(at.absorbs, at.scatters))
        log_k, log_s = np.vstack([np.log(K), at.log_k]), np.vstack([np.log(S), at.log_s])
        state = State(at.constants, log_k, log_s)
        shifts = np.einsum("Mm,mgl->Mgl", shares, at.shifts).reshape(M * g, -1)
        free = np.einsum("Mm,mgc->Mgc", shares, at.free).reshape(M * g, 3)
        return stack, Optics(state, shifts, free)

    def lab(self, shares: Array, law: Law | None = None) -> Array:
        """Predicted Lab (M, g, 3) of mixes by their shares (M, m) of the dry film."""
        return self._lab(np.atleast_2d(shares), self._mean, law or self.law)

    def _lab(self, shares: Array, at: Inks, law: Law) -> Array:
        lab = self.pure.lab(*self._printed(shares, at, law))
        return lab.reshape(len(shares), -1, 3)

    def predict(self, shares: Array, law: Law | None = None, draws: int = N_DRAWS) -> Mixed:
        """Colour and covariance over the garments of mixes ``shares`` (M, m).

        ``law``: how they mix, taken as certain; by what is known of it where left out.
        """
        shares = np.atleast_2d(shares)
        mean = self.lab(shares, law)
        M, g = mean.shape[:2]
        rest = self.left_over(shares)
        unknown = self._by_draws(shares, mean, law, draws) + rest.unknown
        factor = self.spread_of(shares) ** 2
        unknown = factor[:, None, None] * unknown
        total = unknown + factor[:, None, None] * rest.scatter
        return Mixed(Joint(mean, total.reshape(M, 3 * g, 3 * g), rest.scatter), unknown)

    def unseen(self, shares: Array) -> list[tuple[Unseen, ...]]:
        """What was never seen of the inks in each mix, and of their set-up, (M,)."""
        own = together(self.pure.unseen, len(self.garments))
        found = []
        for row in np.atleast_2d(shares):
            used = np.flatnonzero(row > COUNTS)
            never = [self.inks[i] for i in used if not self.strengths.told.get((self.inks[i],))]
            mixed = [Unseen("mix", "never", ink) for ink in never if len(used) > 1]
            found.append((*mixed, *dict.fromkeys(one for i in used for one in own[i])))
        return found

    def ways(self, draws: int) -> Iterator[Way]:
        """Ways in which it may really be, as likely as each other; their mean is what is known."""
        rng = np.random.default_rng(1940)
        away = self.pure.away(rng.standard_normal((draws, self.pure.n_weights)))
        for step in away:
            weighed = WEIGHING_SD * rng.standard_normal(len(self.inks))
            drawn = self.strengths.drawn(rng, len(self.inks))
            for sign in (1.0, -1.0):
                law = self.strengths.law(self.inks, drawn, sign)
                yield Way(sign * step, sign * weighed, law)

    def lab_if(self, shares: Array, way: Way) -> Array:
        """Lab (M, g, 3) of mixes, were it that way."""
        taken = shares * np.exp(way.weighed)
        taken = taken / taken.sum(axis=1, keepdims=True)
        return self._lab(taken, self._at(way.away), way.law)

    def _by_draws(self, shares: Array, mean: Array, law: Law | None, draws: int) -> Array:
        """Covariance from what is not known of the weights, and from mixing itself."""
        M = len(shares)
        total = np.zeros((M, mean[0].size, mean[0].size))
        for way in self.ways(draws):
            lab = self.lab_if(shares, way if law is None else way._replace(law=law))
            off = (lab - mean).reshape(M, -1)
            total += off[:, :, None] * off[:, None, :]
        return total / (2 * draws)

    def spread_of(self, shares: Array) -> Array:
        """Factor (M,) on standard deviations; a mix has earned no narrower bands than usual."""
        used = shares > COUNTS
        least = np.where(used.sum(axis=1) > 1, 1.0, 0.0)
        return np.maximum(np.where(used, self.spread, 0.0).max(axis=1), least)

    def left_over(self, shares: Array) -> LeftOver:
        """What the weights do not carry of mixes."""
        stack, optics = self._printed(shares, self._mean, self.law)
        m, g = len(self.inks), len(self.garments)
        parts = []
        for levels, rest in self.pure.unshared():
            # what is not known of each ink by itself evens out, what belongs to the press does not
            of_each = shares**2 if levels in ("ink", "lot") else shares
            parts.append(np.einsum("Mm,mg->Mg", of_each, rest.reshape(m, g)).ravel())
        readings = np.tile(self.pure.readings[:g], len(shares))
        return self.pure.left_over(stack, optics, parts, readings, g)
