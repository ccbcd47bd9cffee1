"""Kubelka-Munk optics of ink films: finite layers, surfaces, stacks, cloth.

Symbols follow the literature: ``K`` absorption and ``S`` scattering per um of dry film,
``R`` reflectance, ``T`` transmittance (both 0..1), ``film_um`` thickness in um. Every
function broadcasts over set-ups and wavelengths.

References
----------
Kubelka & Munk 1931, Z. tech. Phys. 12, 593; Kubelka 1948, J. Opt. Soc. Am. 38, 448
(finite layers, and what lies beneath them); Saunderson 1942, J. Opt. Soc. Am. 32, 727
(surface).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.floating]

# Normal reflectance and diffuse internal reflectance of a smooth n = 1.5 surface, 0.0400 and
# 0.5963 by Fresnel's equations (datasets/published/fresnel_interface.csv), rounded.
SURFACE_K1 = 0.04
SURFACE_K2 = 0.60


def r_infinity(K: ArrayLike, S: ArrayLike) -> Array:
    """Reflectance of an infinitely thick layer, 0 where S = 0.

    Written as S / (K + S + sqrt(K (K + 2 S))), which loses no digits for any K/S.
    """
    K, S = np.asarray(K, float), np.asarray(S, float)
    total = K + S + np.sqrt(K * (K + 2 * S))
    return np.divide(S, total, out=np.zeros_like(total), where=total > 0)


def attenuation(K: ArrayLike, S: ArrayLike) -> Array:
    """alpha = sqrt(K (K + 2 S)) of light in a film, 1/um, a trace where nothing absorbs."""
    K, S = np.asarray(K, float), np.asarray(S, float)
    return np.maximum(np.sqrt(K * (K + 2 * S)), 1e-100)


def film(K: ArrayLike, S: ArrayLike, film_um: ArrayLike) -> tuple[Array, Array]:
    """Reflectance over ideal black and transmittance of a film: ``(R0, T)``.

    The hyperbolic solution (Kubelka 1948) with t = tanh(alpha X) / alpha and nothing that
    overflows at any thickness; S -> 0 is Beer-Lambert and K -> 0 the pure scatterer
    S X / (1 + S X).
    """
    K, S, X = (np.asarray(v, float) for v in (K, S, film_um))
    alpha = attenuation(K, S)
    t, once = np.tanh(alpha * X) / alpha, np.exp(-alpha * X)
    whole = 1.0 + (K + S) * t
    return S * t / whole, 2.0 * once / ((1.0 + once * once) * whole)


def over(R0: ArrayLike, T: ArrayLike, r_back: ArrayLike) -> Array:
    """Reflectance of a layer (``R0``, ``T``) in front of a background (Kubelka 1948)."""
    R0, T, Rg = (np.asarray(v, float) for v in (R0, T, r_back))
    return R0 + T * T * Rg / (1.0 - R0 * Rg)


def reflectance_over(K: ArrayLike, S: ArrayLike, film_um: ArrayLike, r_back: ArrayLike) -> Array:
    """Reflectance of a film of ``film_um`` over a background, both beneath the surface.

    What :func:`over` makes of :func:`film`, in one (Kubelka 1948): with t = tanh(alpha X) / alpha,
    R = (Rg + t (S - (K + S) Rg)) / (1 + t (K + S - S Rg)).
    """
    K, S, X, Rg = (np.asarray(v, float) for v in (K, S, film_um, r_back))
    alpha = attenuation(K, S)
    t = np.tanh(alpha * X) / alpha
    return (Rg + t * (S - (K + S) * Rg)) / (1.0 + t * (K + S - S * Rg))


def through_surface(
    r: ArrayLike, k1: float = SURFACE_K1, k2: float = SURFACE_K2, specular_included: bool = False
) -> Array:
    """Measured reflectance of a body whose reflectance beneath the surface is ``r``.

    Saunderson 1942: k1 + (1 - k1)(1 - k2) R / (1 - k2 R). A 45:0 instrument sees no
    gloss, so the leading k1 is left out unless ``specular_included``.
    """
    r = np.asarray(r, float)
    return k1 * specular_included + (1 - k1) * (1 - k2) * r / (1 - k2 * r)


def beneath_surface(
    r_measured: ArrayLike,
    k1: float = SURFACE_K1,
    k2: float = SURFACE_K2,
    specular_included: bool = False,
) -> Array:
    """Inverse of :func:`through_surface`."""
    rest = np.asarray(r_measured, float) - k1 * specular_included
    return rest / ((1 - k1) * (1 - k2) + k2 * rest)


def k_over_s(r: ArrayLike) -> Array:
    """K/S = (1 - R)^2 / 2R of a thick cloth of reflectance ``r`` (Kubelka & Munk 1931)."""
    thick: Array = np.clip(np.asarray(r, float), 1e-4, 1 - 1e-9)
    return (1 - thick) ** 2 / (2 * thick)


def less_dyed(r: ArrayLike, share: ArrayLike) -> Array:
    """Cloth with ``share`` (0..1) of its own dye left: K/S of a thick cloth is in proportion to
    the dye in it (its use for dyed textiles: common practice)."""
    k = np.asarray(share, float) * k_over_s(r)
    return 1 / (1 + k + np.sqrt(k * (k + 2)))


def inked_cloth(r: ArrayLike, depth: ArrayLike, K: ArrayLike, S: ArrayLike) -> Array:
    """Thick cloth of reflectance ``r`` that ink has sunk into.

    Down to where it reaches the cloth is a layer that scatters ``depth`` (S x thickness) by itself
    and absorbs and scatters ``K`` and ``S`` more (times the ink's thickness) by what is in it; K
    and S add up, and beneath lies the cloth as it was (Kubelka 1948).
    """
    depth, K, S = (np.asarray(v, float) for v in (depth, K, S))
    return reflectance_over(depth * k_over_s(r) + K, depth + S, 1.0, r)


def wet_out(r: ArrayLike, w: ArrayLike) -> Array:
    """Cloth whose pores are filled with ink: R (1 - w) / (1 - w R), darker for w > 0.

    The share ``w`` (0..1) of light that the lost air interfaces no longer send back.
    """
    r, w = np.asarray(r, float), np.asarray(w, float)
    return r * (1 - w) / (1 - w * r)
