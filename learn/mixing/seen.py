"""Inks of which one mix has been printed and measured: what that says of mixes near it.

Ways in which inks and mixing may really be are drawn once; each says how the printed mix, and any
other, would look. By regression over them the test print moves the weights, the law of mixing and
the error of weighing to where they are likeliest (an ensemble Kalman step: Evensen 2003, Ocean
Dynamics 53, 343; from memory); the same ways tell how sure the next mix then is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from learn.mixing.law import N_BENDS, Law
from learn.mixing.mixture import Mixing, Way
from learn.predict.protocol import Joint

Array = NDArray[np.floating]

DRAWS = 96  # and as many mirrored


@dataclass(frozen=True)
class Seen:
    """``mixing`` after a print of the mix ``shares`` (m,)."""

    mixing: Mixing
    ways: list[Way]
    off: Array  # (ways, 3 g) of the printed mix from its mean, each way
    seen: NDArray[np.intp]  # which of the 3 g were measured
    inverse: Array  # of the covariance of what was measured
    unknown: Array  # (3 g, 3 g) not in the weights, and shared with the next mix
    spread: float  # factor on standard deviations
    likeliest: Way
    offset: Array  # (g, 3) that the likeliest way leaves

    @classmethod
    def of(cls, mixing: Mixing, shares: Array, seen: NDArray[np.intp], reading: Array) -> Seen:
        """``reading`` (3 k,) of the positions ``seen`` among Lab on all garments."""
        row = shares[None]
        mean = mixing.lab(row)[0]
        ways = list(mixing.ways(DRAWS))
        off = np.array([(mixing.lab_if(row, way)[0] - mean).ravel() for way in ways])
        rest = mixing.left_over(row)
        spread = float(mixing.spread_of(row)[0])
        factor = spread**2
        unknown = factor * (off.T @ off / len(ways) + rest.unknown[0])
        total = unknown + factor * rest.scatter[0]
        inverse = np.linalg.inv(total[np.ix_(seen, seen)])
        wanted = inverse @ (reading - mean.ravel()[seen])
        # how much each way counts towards the likeliest
        likeliest = _mean_of(mixing.law, ways, factor * off[:, seen] @ wanted / len(ways))
        moved = mean + (unknown[:, seen] @ wanted).reshape(mean.shape)
        offset = moved - mixing.lab_if(row, likeliest)[0]
        left = rest.unknown[0]
        return cls(mixing, ways, off, seen, inverse, left, spread, likeliest, offset)

    def lab(self, shares: Array) -> Array:
        """Lab (M, g, 3) of mixes (M, m), as now best known."""
        return self.mixing.lab_if(np.atleast_2d(shares), self.likeliest) + self.offset

    def predict(self, shares: Array) -> Joint:
        """The next prints of mixes (M, m)."""
        plain = self.mixing.lab(shares)
        M, g = plain.shape[:2]
        off = np.array(
            [(self.mixing.lab_if(shares, way) - plain).reshape(M, -1) for way in self.ways]
        )
        n, rest = len(self.ways), self.mixing.left_over(shares)
        spread = self.mixing.spread_of(shares)[:, None, None]  # of an ink added, it may be more
        own = np.einsum("dMi,dMj->Mij", off, off) / n + self.unknown + rest.scatter
        with_seen = np.einsum("dMi,dj->Mij", off, self.off) / n + self.unknown
        with_seen = spread * self.spread * with_seen[:, :, self.seen]
        known = with_seen @ self.inverse @ with_seen.transpose(0, 2, 1)
        total = spread**2 * own - known
        total = (total + total.transpose(0, 2, 1)) / 2
        return Joint(self.lab(shares), total.reshape(M, 3 * g, 3 * g), rest.scatter)


def _mean_of(law: Law, ways: list[Way], counts: Array) -> Way:
    """The weighted sum of the ways, each from the mean of all."""
    m = len(law.log_strength)
    none: dict[str, Array] = {
        "log_strength": np.zeros(m),
        "pairs": np.zeros((m, m, N_BENDS)),
        "own": np.zeros(N_BENDS),
        "log_scatter": np.zeros(m),
    }

    def moved(name: str) -> Array:
        usual = _or(getattr(law, name), none[name])
        off = [_or(getattr(way.law, name), none[name]) - usual for way in ways]
        return usual + np.tensordot(counts, np.array(off), 1)

    away = sum(c * way.away for c, way in zip(counts, ways, strict=True))
    weighed = sum(c * way.weighed for c, way in zip(counts, ways, strict=True))
    return Way(away, weighed, Law(**{name: moved(name) for name in none}))


def _or(part: Array | float | None, otherwise: Array) -> Array:
    return otherwise if part is None else part + otherwise
