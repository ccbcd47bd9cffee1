"""How inks mix: what each does in a mix, and what they do to each other.

Absorption and scattering are sums by the inks' shares of the dry film. Each ink's share counts by
its strengths, in absorbing and in scattering, which fade as it becomes the whole of the film. Every
pair of inks, and every recipe, bends the sums over the spectrum, the most at equal shares.
`learn.mixing.strength` says how sure all that is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.physics.shelf import bend_basis

Array = NDArray[np.floating]

# Bends: log absorption by level, tilt and curve, log scattering by level.
N_ABSORBS = 3
N_BENDS = 4


class Blend(NamedTuple):
    """M mixes, as inks count in them."""

    absorbing: Array  # (M, m) shares by what each ink absorbs in this mix
    scattering: Array  # (M, m) and scatters
    absorbs: Array  # (M, 31) log factor on absorption
    scatters: Array  # (M, 31) on scattering

    def of(self, absorption: Array, scattering: Array) -> tuple[Array, Array]:
        """Absorption and scattering (M, 31) of the mixes, by those of their inks (m, 31)."""
        a, s = self.absorbing @ absorption, self.scattering @ scattering
        return a * np.exp(self.absorbs), s * np.exp(self.scatters)


@dataclass(frozen=True)
class Law:
    """How m inks mix, at some weights; with a leading axis, one law a mix."""

    log_strength: Array  # ([M,] m) in absorbing
    pairs: Array | None  # ([M,] m, m, 4) symmetric, zero for an ink with itself; None: all zero
    own: Array | None = None  # (4,) of the recipe
    log_scatter: Array | float = 0.0  # ([M,] m) strength in scattering

    def blend(self, shares: Array) -> Blend:
        """Mixes by their shares (M, m) of the dry film."""
        others = 1 - shares
        bent = np.zeros((len(shares), N_BENDS))
        if self.pairs is not None:
            of = "Mijb" if self.pairs.ndim > 3 else "ijb"
            bent = 2 * np.einsum(f"Mi,Mj,{of}->Mb", shares, shares, self.pairs, optimize=True)
        if self.own is not None:
            bent = bent + 2 * (1 - (shares**2).sum(axis=1, keepdims=True)) * self.own
        basis = bend_basis()
        return Blend(
            shares * np.exp(self.log_strength * others),
            shares * np.exp(self.log_scatter * others),
            bent[:, :N_ABSORBS] @ basis[:N_ABSORBS],
            bent[:, N_ABSORBS:] @ basis[:1],
        )
