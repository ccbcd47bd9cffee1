"""Kubelka-Munk optics of ink films: finite layers, surfaces, stacks and mixes.

Symbols follow the literature: ``K`` absorption and ``S`` scattering per um of dry film,
``R`` reflectance, ``T`` transmittance (both 0..1), ``film_um`` thickness in um. Every
function broadcasts over set-ups and wavelengths.

References
----------
Kubelka & Munk 1931, Z. tech. Phys. 12, 593; Kubelka 1948, J. Opt. Soc. Am. 38, 448
(finite layers); Kubelka 1954, J. Opt. Soc. Am. 44, 330 (layers on layers); Saunderson
1942, J. Opt. Soc. Am. 32, 727 (surface); Duncan 1940, Proc. Phys. Soc. 52, 390 (mixes).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# Normal reflectance and diffuse internal reflectance of a smooth n = 1.5 surface, 0.0400 and
# 0.5963 by Fresnel's equations (datasets/published/fresnel_interface.csv), rounded.
SURFACE_K1 = 0.04
SURFACE_K2 = 0.60


def k_over_s(r_inf: ArrayLike) -> Array:
    """K/S of a layer so thick that nothing shows through: (1 - R)^2 / (2 R)."""
    r = np.asarray(r_inf, float)
    return (1 - r) ** 2 / (2 * r)


def r_infinity(K: ArrayLike, S: ArrayLike) -> Array:
    """Reflectance of an infinitely thick layer, 0 where S = 0.

    Written as S / (K + S + sqrt(K (K + 2 S))), which loses no digits for any K/S.
    """
    K, S = np.asarray(K, float), np.asarray(S, float)
    total = K + S + np.sqrt(K * (K + 2 * S))
    return np.divide(S, total, out=np.zeros_like(total), where=total > 0)


def film(K: ArrayLike, S: ArrayLike, film_um: ArrayLike) -> tuple[Array, Array]:
    """Reflectance over ideal black and transmittance of a film: ``(R0, T)``.

    The hyperbolic solution (Kubelka 1948) multiplied through by exp(-alpha X), with
    alpha = sqrt(K (K + 2 S)): nothing overflows at any thickness, S -> 0 is
    Beer-Lambert and K -> 0 the pure scatterer S X / (1 + S X).
    """
    K, S, X = (np.asarray(v, float) for v in (K, S, film_um))
    alpha = np.sqrt(K * (K + 2 * S))
    depth = alpha * X
    once = np.exp(-depth)
    # (1 - exp(-2 alpha X)) / alpha, whose limit for alpha -> 0 is 2 X
    thin = depth < 1e-9
    q = np.where(thin, 2.0 * X, -np.expm1(-2 * depth) / np.where(alpha > 0, alpha, 1.0))
    denominator = 1.0 + once * once + (K + S) * q
    return S * q / denominator, 2.0 * once / denominator


def over(R0: ArrayLike, T: ArrayLike, r_back: ArrayLike) -> Array:
    """Reflectance of a layer (``R0``, ``T``) in front of a background (Kubelka 1948)."""
    R0, T, Rg = (np.asarray(v, float) for v in (R0, T, r_back))
    return R0 + T * T * Rg / (1.0 - R0 * Rg)


def reflectance_over(K: ArrayLike, S: ArrayLike, film_um: ArrayLike, r_back: ArrayLike) -> Array:
    """Reflectance of a film of ``film_um`` over a background, both beneath the surface."""
    return over(*film(K, S, film_um), r_back)


def add_layers(R1: ArrayLike, T1: ArrayLike, R2: ArrayLike, T2: ArrayLike) -> tuple[Array, Array]:
    """Reflectance and transmittance of layer 1 on layer 2 (Kubelka 1954), seen from 1."""
    R1, T1, R2, T2 = (np.asarray(v, float) for v in (R1, T1, R2, T2))
    bounce = 1.0 - R1 * R2
    return R1 + T1 * T1 * R2 / bounce, T1 * T2 / bounce


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


def dyed(r: ArrayLike, share: ArrayLike, more: ArrayLike = 0.0) -> Array:
    """Cloth with ``share`` (0..1) of its own dye left and ``more`` K/S dyed into it.

    In Kubelka and Munk's single-constant theory, as textile dyers use it, K/S = (1 - R)^2 / 2R
    of a thick cloth adds up over all that is in it (Kubelka & Munk 1931; its use for dyed
    textiles: common practice).
    """
    dry = np.clip(np.asarray(r, float), 1e-4, 1 - 1e-9)
    k = np.asarray(share, float) * (1 - dry) ** 2 / (2 * dry) + np.asarray(more, float)
    return 1 / (1 + k + np.sqrt(k * (k + 2)))


def wet_out(r: ArrayLike, w: ArrayLike) -> Array:
    """Cloth whose pores are filled with ink: R (1 - w) / (1 - w R), darker for w > 0.

    The share ``w`` (0..1) of light that the lost air interfaces no longer send back.
    """
    r, w = np.asarray(r, float), np.asarray(w, float)
    return r * (1 - w) / (1 - w * r)


def mix(K: ArrayLike, S: ArrayLike, concentration: ArrayLike) -> tuple[Array, Array]:
    """K and S of a mix (Duncan 1940): the concentration-weighted sums over its inks.

    Parameters
    ----------
    K, S : array (n_inks, ...)
    concentration : array (n_inks,), volume shares that sum to 1
    """
    c = np.asarray(concentration, float)
    return np.tensordot(c, np.asarray(K, float), 1), np.tensordot(c, np.asarray(S, float), 1)


def contrast_ratio(K: ArrayLike, S: ArrayLike, film_um: ArrayLike, r_white: float = 0.80) -> Array:
    """Reflectance over ideal black divided by that over white (ISO 6504-1 form)."""
    R0, T = film(K, S, film_um)
    white = over(R0, T, r_white)
    return np.divide(R0, white, out=np.ones_like(white), where=white > 0)


def fresnel(n: float, cosine: ArrayLike) -> Array:
    """Unpolarised Fresnel reflectance, light arriving from outside a medium of index n."""
    c1 = np.asarray(cosine, float)
    c2 = np.sqrt(1 - (1 - c1 * c1) / (n * n))
    r_s = (c1 - n * c2) / (c1 + n * c2)
    r_p = (n * c1 - c2) / (n * c1 + c2)
    return (r_s * r_s + r_p * r_p) / 2


def fresnel_normal(n: float) -> float:
    """Reflectance of a smooth surface at normal incidence."""
    return ((n - 1) / (n + 1)) ** 2


def fresnel_diffuse_external(n: float) -> float:
    """Reflectance for Lambertian light from outside (quadrature over the hemisphere)."""
    # sin^2(theta) is uniform for Lambertian flux; the square clusters nodes at grazing angles
    nodes, weights = np.polynomial.legendre.leggauss(200)
    cosine = ((nodes + 1) / 2) ** 2
    flux = 2 * cosine * (nodes + 1) / 2
    return float(np.sum(weights * flux * fresnel(n, cosine)))


def fresnel_diffuse_internal(n: float) -> float:
    """Reflectance for Lambertian light from within: 1 - (1 - external) / n^2."""
    return 1 - (1 - fresnel_diffuse_external(n)) / n**2
