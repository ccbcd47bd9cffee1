"""K and S of one ink in its own film, and in a mix: by way of what its particles do to light.

Kubelka-Munk takes all light as diffuse. In a white film it is, and a unit of absorption ``a``
costs twice (K = 2 a, S = 3/4 s, s the transport scattering: Mudgett & Richards 1971, Appl. Opt.
10, 1485; from memory). In a film that absorbs more than it scatters, it is not: light crosses at
the angle it entered and comes back after one scattering at most, so that the K and S which
describe that film are smaller. An ink measured by itself and the same ink let down with white
therefore have different K and S, by up to a factor of two and four; what adds up in a mix is a
and s. Without this, tints of dark inks come out far too weak.

Between the two regimes K and S are interpolated by the share ``h`` = S / (S + K / 2) of light
that is turned before it is absorbed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.floating]

# K of a film that turns no light, per absorption: in at 45 degrees, which is 28 degrees inside
# a film of index 1.5, out straight; (1 / cos 28 + 1) / 2.
STRAIGHT = 1.067
DIFFUSE = 2.0
# S of a strongly absorbing film against 3/4 s: single scattering from 28 degrees to straight
# out (Chandrasekhar, Radiative Transfer, 1960; Henyey-Greenstein phase function, computed
# here: 0.38 for isotropic particles, 0.24 for a mean cosine of 0.3, 0.18 for 0.5).
ONCE = 0.25


def turned(K: ArrayLike, S: ArrayLike) -> Array:
    """Share of light that is turned before it is absorbed, 0..1."""
    K, S = np.asarray(K, float), np.asarray(S, float)
    return S / (S + K / 2)


def to_particles(K: ArrayLike, S: ArrayLike) -> tuple[Array, Array]:
    """Absorption and (3/4 of the) transport scattering per um, from K and S of a film."""
    K, S = np.asarray(K, float), np.asarray(S, float)
    h = turned(K, S)
    return K / (STRAIGHT + (DIFFUSE - STRAIGHT) * h), S / (ONCE + (1 - ONCE) * h)


def to_film(a: ArrayLike, s: ArrayLike) -> tuple[Array, Array]:
    """K and S of a film of these particles: the inverse of :func:`to_particles`.

    Examples
    --------
    >>> K, S = to_film(*to_particles([0.3, 0.02, 0.1], [0.002, 0.1, 0.0]))
    >>> K.round(6).tolist(), S.round(6).tolist()
    ([0.3, 0.02, 0.1], [0.002, 0.1, 0.0])
    """
    a, s = np.asarray(a, float), np.asarray(s, float)
    # h is implied by K and S, which depend on it in straight lines: a square, of whose two roots
    # one lies in 0..1, as 2 once / (B + root) or (root - B) / 2 curve, whichever does not cancel
    once, curve = ONCE * s, (1 - ONCE) * s + (DIFFUSE - STRAIGHT) / 2 * a
    B = once + STRAIGHT / 2 * a - (1 - ONCE) * s
    root = np.sqrt(B * B + 4 * curve * once)
    over, under = np.where(B > 0, 2 * once, root - B), np.where(B > 0, B + root, 2 * curve)
    return _film(a, s, np.divide(over, under, out=np.zeros_like(root), where=under > 0))


def _film(a: Array, s: Array, h: Array) -> tuple[Array, Array]:
    return a * (STRAIGHT + (DIFFUSE - STRAIGHT) * h), s * (ONCE + (1 - ONCE) * h)
