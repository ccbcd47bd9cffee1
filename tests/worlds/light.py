"""Light in layers by four fluxes, and its colour.

Two fluxes are diffuse and two collimated (Maheu, Letoulouzan and Gouesbet 1984, from memory).
The light falls in at 45 degrees, is refracted, and what comes out is looked at along the normal.
Spectra are reflectance factors on `NM`, 400-700 nm in steps of 10, in the last axis.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]

NM = np.arange(400.0, 701.0, 10.0)
SLANT = 0.88  # cosine of 45 degrees refracted into a film of index 1.5
OUTSIDE_45 = 0.05  # Fresnel reflectance of such a film at 45 degrees


class Ground(NamedTuple):
    """What lies beneath: reflectance for diffuse and for collimated light, inside the ink."""

    diffuse: Array
    collimated: Array


class Paths(NamedTuple):
    """How diffuse light runs in an ink, drawn for a shop."""

    longest: float  # mean path through a film that hardly absorbs, films thick
    shortened: float  # by how much absorption shortens it: slanted rays die first
    forward: float  # share of what is scattered that goes on forward


def two_flux(k: Array, s: Array) -> tuple[Array, Array]:
    """Reflectance and transmittance of a layer for diffuse light; ``k``, ``s``: whole layer."""
    k, s = np.maximum(k, 1e-9), np.maximum(s, 1e-9)
    root = np.sqrt(k * (k + 2 * s))
    deep = s / (k + s + root)
    once = np.exp(-root)
    below = 1 - (deep * once) ** 2
    return deep * (1 - once**2) / below, (1 - deep**2) * once / below


def over(a: Array, s: Array, film_um: Array, ground: Ground, paths: Paths) -> Ground:
    """A film with absorption ``a`` and scattering ``s`` a um upon a ground."""
    path = paths.longest - paths.shortened * a / (a + s + 1e-9)
    k, back = path * a, path * (1 - paths.forward) * s
    r, t = two_flux(k * film_um, back * film_um)
    loss = (a + s) / SLANT
    scattered = s / SLANT
    determinant = k * (k + 2 * back) - loss**2
    # where both die away alike the particular solution has a pole; beside it nothing differs
    near = np.abs(determinant) < 1e-4 * loss**2
    loss = np.where(near, 1.001 * loss + 1e-9, loss)
    determinant = k * (k + 2 * back) - loss**2
    ahead, behind = paths.forward * scattered, (1 - paths.forward) * scattered
    down = ((k + back + loss) * ahead + back * behind) / determinant
    up = ((k + back - loss) * behind + back * ahead) / determinant
    left = np.exp(-loss * film_um)
    reflected = up - r * down - t * up * left
    passed = down * left - t * down - r * up * left
    again = 1 - r * ground.diffuse
    rising = (ground.collimated * left + ground.diffuse * passed) / again
    return Ground(r + t**2 * ground.diffuse / again, reflected + t * rising)


def seen(below: Ground, inside: Array, haze: Array, slope: float) -> Array:
    """Reflectance factor through the surface of the uppermost film.

    ``inside``: share of diffuse light the surface throws back into the film; ``haze``: light
    that never enters; ``slope``: how much brighter than even a dark film is along the normal.
    """
    out = (1 - inside) * below.collimated / (1 - inside * below.diffuse)
    normal = 1 + slope * (1 - below.diffuse)
    return haze + (1 - OUTSIDE_45 - haze) * out * normal


@cache
def _weights() -> tuple[Array, Array]:
    """Weights (31, 3) of XYZ for D50 and the 2-degree observer, and their white."""
    import colour

    shape = colour.SpectralShape(400, 700, 10)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    light = colour.SDS_ILLUMINANTS["D50"].copy().align(shape)
    weights = observer.values * light.values[:, None]
    weights *= 100 / weights[:, 1].sum()
    return weights, weights.sum(axis=0)


def lab_of(reflectance: Array) -> Array:
    """CIELAB under D50, 2 degrees: (..., 31) to (..., 3)."""
    weights, white = _weights()
    t = reflectance @ weights / white
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1
    )


def apart(one: Array, other: Array) -> Array:
    """CIEDE2000 between colours (..., 3), by colour-science."""
    from colour.difference import delta_E_CIE2000

    return np.asarray(delta_E_CIE2000(one, other))
