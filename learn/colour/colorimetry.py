"""Colour of a reflectance spectrum: XYZ, CIELAB, CIEDE2000, and a spectrum from a Lab.

Spectra are reflectance factors (0..1) on `WAVELENGTHS_NM`, 400-700 nm in steps of 10 nm, in
the last axis; XYZ has white at Y = 100; every function takes any leading shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

WAVELENGTHS_NM = np.arange(400.0, 701.0, 10.0)
WAVELENGTHS_NM.flags.writeable = False

ILLUMINANTS = ("A", "C", "D50", "D55", "D65", "D75", "E", *(f"F{i}" for i in range(1, 13)))
OBSERVERS = ("2", "10")
# Their weights, a table each: `tests.colour.weights` has made it of the CIE's own tables. To make
# them here would load a library of colour, which takes longer than a prediction.
WEIGHTS = Path(__file__).with_name("weights.npz")

# ISO/CIE 11664-4: where the cube root of CIELAB gives way to a straight line.
EPSILON = 216 / 24389
KAPPA = 24389 / 27

# Reflectance a printed or bare surface can have: no black trap and a little over white.
DARKEST, BRIGHTEST = 0.002, 1.05


@dataclass(frozen=True, eq=False)
class Viewing:
    """Illuminant and observer, as weights on a 400-700 nm spectrum.

    weights (31, 3) turn a spectrum into XYZ. white_xyz (3,) is their sum, not the white
    tabulated from chromaticity: the two differ by up to 0.1 in Z, and only with the sum is
    the perfect reflector exactly L* 100, a* 0, b* 0.
    """

    illuminant: str
    observer: str
    weights: np.ndarray
    white_xyz: np.ndarray


@lru_cache
def viewing(illuminant: str = "D50", observer: str = "2") -> Viewing:
    """The viewing condition of that name.

    Weights follow ASTM E308 for 10-nm data (ASTM E2022 interpolation); those outside
    400-700 nm are added to the end wavelengths, E308's rule for a truncated spectrum.
    Illuminants: A, C, D50, D55, D65, D75, E, F1 to F12 (or FL1 to FL12); observers: 2, 10.

    Raises ValueError for any other name.
    """
    name = str(illuminant).strip().upper().replace("FL", "F")
    degrees = str(observer).strip().rstrip("°")
    if name not in ILLUMINANTS:
        raise ValueError(
            f"illuminant {illuminant!r} is not known: use one of {', '.join(ILLUMINANTS)}"
        )
    if degrees not in OBSERVERS:
        raise ValueError(
            f"observer {observer!r} is not known: use 2 or 10, the degrees of the 1931 and the "
            "1964 standard observer"
        )
    with np.load(WEIGHTS, allow_pickle=False) as tables:
        weights = tables[f"{name}-{degrees}"]
    white_xyz = weights.sum(axis=0)
    weights.flags.writeable = white_xyz.flags.writeable = False
    return Viewing(name, degrees, weights, white_xyz)


def xyz_from_reflectance(reflectance: ArrayLike, viewing: Viewing) -> np.ndarray:
    """XYZ (..., 3) of spectra (..., 31)."""
    return np.asarray(reflectance, float) @ viewing.weights


def lab_from_xyz(xyz: ArrayLike, white_xyz: ArrayLike) -> np.ndarray:
    """CIE 1976 L*a*b* (..., 3) of XYZ (..., 3), ISO/CIE 11664-4."""
    t = np.asarray(xyz, float) / white_xyz
    f = np.where(t > EPSILON, np.cbrt(t), (KAPPA * t + 16) / 116)
    fx, fy, fz = np.moveaxis(f, -1, 0)
    return np.stack([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)], axis=-1)


def xyz_from_lab(lab: ArrayLike, white_xyz: ArrayLike) -> np.ndarray:
    """XYZ (..., 3) of CIE 1976 L*a*b* (..., 3); the inverse of `lab_from_xyz`."""
    L, a, b = np.moveaxis(np.asarray(lab, float), -1, 0)
    fy = (L + 16) / 116
    f = np.stack([fy + a / 500, fy, fy - b / 200], axis=-1)
    return np.where(f**3 > EPSILON, f**3, (116 * f - 16) / KAPPA) * white_xyz


def lab_from_reflectance(reflectance: ArrayLike, viewing: Viewing) -> np.ndarray:
    """CIE 1976 L*a*b* (..., 3) of spectra (..., 31)."""
    return lab_from_xyz(xyz_from_reflectance(reflectance, viewing), viewing.white_xyz)


# Lab is linear in f(X/Xn), f(Y/Yn), f(Z/Zn).
_LAB_FROM_F = np.array([[0.0, 116, 0], [500, -500, 0], [0, 200, -200]])


def lab_jacobian(reflectance: ArrayLike, viewing: Viewing) -> np.ndarray:
    """Derivative of Lab by reflectance, (..., 3, 31), at spectra (..., 31)."""
    t = xyz_from_reflectance(reflectance, viewing) / viewing.white_xyz
    df_dt = np.where(t > EPSILON, np.cbrt(np.maximum(t, EPSILON)) ** -2 / 3, KAPPA / 116)
    return (_LAB_FROM_F * df_dt[..., None, :]) @ (viewing.weights / viewing.white_xyz).T


def delta_e00(lab1: ArrayLike, lab2: ArrayLike) -> np.ndarray:
    """CIEDE2000 colour difference (...) between Lab (..., 3) and Lab (..., 3), broadcast.

    Sharma, Wu & Dalal 2005, Color Res. Appl. 30(1), 21-30, in the paper's symbols, with
    k_L = k_C = k_H = 1. Meant for differences below about 5; larger ones rank, no more.
    """
    lab1, lab2 = np.broadcast_arrays(np.asarray(lab1, float), np.asarray(lab2, float))
    shape = lab1.shape[:-1]
    if lab1.size <= 3 * _BLOCK:
        return _delta_e00(lab1, lab2)
    # Blocks that stay in the processor's cache: twice as fast on millions of pairs.
    lab1, lab2 = lab1.reshape(-1, 3), lab2.reshape(-1, 3)
    dE00 = np.empty(len(lab1))
    for start in range(0, len(dE00), _BLOCK):
        block = slice(start, start + _BLOCK)
        dE00[block] = _delta_e00(lab1[block], lab2[block])
    return dE00.reshape(shape)


_BLOCK = 20_000


def _seventh(C: np.ndarray) -> np.ndarray:
    """sqrt(C^7 / (C^7 + 25^7)), by products: a power of 7 is ten times slower."""
    C3 = C * C * C
    C7 = C3 * C3 * C
    return np.sqrt(C7 / (C7 + 25.0**7))


def _hue(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Hue angle in 0..2 pi."""
    h = np.arctan2(b, a)
    return np.where(h < 0, h + 2 * np.pi, h)


def _delta_e00(lab1: np.ndarray, lab2: np.ndarray) -> np.ndarray:
    L1, a1, b1 = np.ascontiguousarray(np.moveaxis(lab1, -1, 0))
    L2, a2, b2 = np.ascontiguousarray(np.moveaxis(lab2, -1, 0))

    C_bar = (np.sqrt(a1 * a1 + b1 * b1) + np.sqrt(a2 * a2 + b2 * b2)) / 2  # eq. 2, 3
    one_plus_G = 1.5 - 0.5 * _seventh(C_bar)  # eq. 4
    a1_p, a2_p = one_plus_G * a1, one_plus_G * a2  # eq. 5
    C1_p, C2_p = np.sqrt(a1_p * a1_p + b1 * b1), np.sqrt(a2_p * a2_p + b2 * b2)  # eq. 6
    h1_p, h2_p = _hue(a1_p, b1), _hue(a2_p, b2)  # eq. 7

    dL_p = L2 - L1  # eq. 8
    dC_p = C2_p - C1_p  # eq. 9
    # eq. 10; opposite hues are a tie, which the last bit of arctan2 must not decide (pair 14).
    dh_p = h2_p - h1_p
    wrapped = np.abs(dh_p) > np.pi * (1 + 1e-12)
    dh_p -= np.where(wrapped, np.copysign(2 * np.pi, dh_p), 0.0)
    CC_p = C1_p * C2_p
    dH_p = 2 * np.sqrt(CC_p) * np.sin(dh_p / 2)  # eq. 11

    L_bar_p = (L1 + L2) / 2  # eq. 12
    C_bar_p = (C1_p + C2_p) / 2  # eq. 13
    # eq. 14: the mean hue; where one of the two has no chroma, the hue of the other.
    h_bar_p = (h1_p + h2_p) / np.where(CC_p == 0, 1.0, 2.0)
    h_bar_p += np.where(wrapped, np.where(h_bar_p < np.pi, np.pi, -np.pi), 0.0)
    T = (  # eq. 15
        1
        - 0.17 * np.cos(h_bar_p - np.pi / 6)
        + 0.24 * np.cos(2 * h_bar_p)
        + 0.32 * np.cos(3 * h_bar_p + np.pi / 30)
        - 0.20 * np.cos(4 * h_bar_p - 63 * np.pi / 180)
    )
    dtheta = 30 * np.exp(-(((np.rad2deg(h_bar_p) - 275) / 25) ** 2))  # eq. 16
    R_C = 2 * _seventh(C_bar_p)  # eq. 17
    L50 = (L_bar_p - 50) ** 2
    S_L = 1 + 0.015 * L50 / np.sqrt(20 + L50)  # eq. 18
    S_C = 1 + 0.045 * C_bar_p  # eq. 19
    S_H = 1 + 0.015 * C_bar_p * T  # eq. 20
    R_T = -np.sin(np.deg2rad(2 * dtheta)) * R_C  # eq. 21
    L_term, C_term, H_term = dL_p / S_L, dC_p / S_C, dH_p / S_H
    square = L_term * L_term + C_term * C_term + H_term * H_term + R_T * C_term * H_term
    return np.sqrt(np.maximum(square, 0.0))  # eq. 22; round-off may leave -1e-20


def reflectance_from_lab(lab: ArrayLike, viewing: Viewing) -> np.ndarray:
    """The smoothest spectrum (..., 31) that has this Lab (..., 3) under `viewing`.

    Least sum of squared slopes of u, where reflectance = DARKEST + (BRIGHTEST - DARKEST) /
    (1 + exp(-u)), subject to the Lab: the hyperbolic-tangent form of Burns 2020, Color Res.
    Appl. 45(1), 8-21 (from memory). Always within DARKEST..BRIGHTEST; a Lab that no such
    spectrum has gives the nearest, NaN gives NaN. Many spectra share a Lab: this is a guess.
    """
    lab = np.asarray(lab, float)
    target = lab.reshape(-1, 3)
    spectra = np.full((len(target), WAVELENGTHS_NM.size), np.nan)
    known = np.flatnonzero(np.isfinite(target).all(axis=-1))
    for rows in np.array_split(known, max(1, -(-known.size // _BLOCK))):
        spectra[rows] = _reflectance(_smoothest(target[rows], viewing))
    return spectra.reshape(*lab.shape[:-1], WAVELENGTHS_NM.size)


def _reflectance(u: np.ndarray) -> np.ndarray:
    return DARKEST + (BRIGHTEST - DARKEST) / (1 + np.exp(-u))


def _smoothest(target: np.ndarray, viewing: Viewing) -> np.ndarray:
    """u (n, 31) minimising |Lab(u) - target|^2 / sigma^2 + u'Qu, by damped Gauss-Newton.

    sigma falls step by step, so that hard colours are approached from a flat spectrum; only
    3 x 3 systems are solved, since Q, the squared slopes, is the same for all rows.
    """
    slope = np.diff(np.eye(WAVELENGTHS_NM.size), axis=0)
    Q = slope.T @ slope + 1e-6 * np.eye(WAVELENGTHS_NM.size)
    Q_inverse = np.linalg.inv(Q)

    def miss(u: np.ndarray, rows: np.ndarray) -> np.ndarray:
        return lab_from_reflectance(_reflectance(u), viewing) - target[rows]

    def cost(u: np.ndarray, rows: np.ndarray, sigma: float) -> np.ndarray:
        return (miss(u, rows) ** 2).sum(-1) / sigma**2 + ((u @ Q) * u).sum(-1)

    grey = np.clip(xyz_from_lab(target, viewing.white_xyz)[:, 1] / 100, 0.01, 0.95)
    u_all = np.repeat(np.log(grey / (1 - grey))[:, None], WAVELENGTHS_NM.size, axis=1)
    for sigma, steps in ((3.0, 4), (0.3, 6), (0.03, 12), (0.003, 30)):
        rows = np.arange(len(target))
        for _ in range(steps):
            u = u_all[rows]
            R = _reflectance(u)
            dR_du = (R - DARKEST) * (BRIGHTEST - R) / (BRIGHTEST - DARKEST)
            J = lab_jacobian(R, viewing) * dR_du[:, None, :]
            JQ = J @ Q_inverse
            system = JQ @ np.swapaxes(J, 1, 2) + sigma**2 * np.eye(3)
            aim = (J @ u[..., None])[..., 0] - miss(u, rows)
            step = (np.linalg.solve(system, aim[..., None]).swapaxes(1, 2) @ JQ)[:, 0] - u
            step *= np.minimum(1, 3 / np.maximum(np.abs(step).max(axis=1), 1e-12))[:, None]
            before, after = cost(u, rows, sigma), np.full(rows.size, np.inf)
            share = np.ones(rows.size)
            for _ in range(8):  # halve the step of the rows it did not help
                worse = after > before
                if not worse.any():
                    break
                after[worse] = cost((u + share[:, None] * step)[worse], rows[worse], sigma)
                share[worse & (after > before)] /= 2
            moved = after <= before
            u_all[rows[moved]] += (share[:, None] * step)[moved]
            rows = rows[moved & (before - after > 1e-6 * (1 + before))]
            if not rows.size:
                break
    return u_all


# Bradford cone responses (ICC.1, chromatic adaptation) and linear sRGB (IEC 61966-2-1).
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_SRGB_FROM_XYZ = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)
_D65_XYZ = np.linalg.inv(_SRGB_FROM_XYZ) @ np.ones(3) * 100


def _adaptation(from_xyz: np.ndarray, to_xyz: np.ndarray) -> np.ndarray:
    """Matrix (3, 3) that carries XYZ seen under one white to the other."""
    gain = (_BRADFORD @ to_xyz) / (_BRADFORD @ from_xyz)
    return np.linalg.inv(_BRADFORD) @ np.diag(gain) @ _BRADFORD


def _linear_srgb(lab: ArrayLike, viewing: Viewing) -> np.ndarray:
    xyz = xyz_from_lab(lab, viewing.white_xyz)
    return xyz @ (_SRGB_FROM_XYZ @ _adaptation(viewing.white_xyz, _D65_XYZ)).T / 100


def linear_light(srgb: ArrayLike) -> np.ndarray:
    """Light (..., 3) from 0 to 1 of sRGB of 8 bits (..., 3), IEC 61966-2-1."""
    encoded = np.asarray(srgb, float) / 255
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def srgb_bytes(light: ArrayLike) -> NDArray[np.uint8]:
    """sRGB of 8 bits (..., 3) of light (..., 3) from 0 to 1, clipped: `linear_light` undone."""
    light = np.clip(light, 0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(255 * encoded).astype(np.uint8)


def in_srgb_gamut(lab: ArrayLike, viewing: Viewing) -> np.ndarray:
    """Whether a screen can show these Lab (..., 3), to half a step of 8 bits: bool (...)."""
    linear = _linear_srgb(lab, viewing)
    shown = (linear > -0.5 / 255 / 12.92) & (linear < 1 + 0.5 / 255 * 2.3)
    return np.asarray(shown.all(axis=-1))


def srgb_hex(lab: ArrayLike, viewing: Viewing) -> np.ndarray:
    """'#rrggbb' (...) of Lab (..., 3), adapted to D65; channels beyond the screen clipped."""
    r, g, b = np.moveaxis(srgb_bytes(_linear_srgb(lab, viewing)), -1, 0)
    return np.vectorize("#{:02x}{:02x}{:02x}".format, otypes=["U7"])(r, g, b)


def lab_from_srgb_hex(colours: ArrayLike, viewing: Viewing) -> np.ndarray:
    """Lab (..., 3) under `viewing` of '#rrggbb' strings (...).

    Raises ValueError naming the first string that is not of that form.
    """
    colours = np.asarray(colours, dtype=str)
    linear = linear_light(np.array([_channels(c) for c in colours.ravel()]))
    linear = linear.reshape(*colours.shape, 3)
    to_xyz = np.linalg.inv(_SRGB_FROM_XYZ @ _adaptation(viewing.white_xyz, _D65_XYZ))
    return lab_from_xyz(100 * linear @ to_xyz.T, viewing.white_xyz)


def _channels(text: str) -> tuple[int, int, int]:
    digits = text.strip().removeprefix("#")
    try:
        if len(digits) != 6:
            raise ValueError
        r, g, b = bytes.fromhex(digits)
        return r, g, b
    except ValueError:
        message = f"{text!r} is not a screen colour: write it as #rrggbb, for example #c8102e"
        raise ValueError(message) from None


# Below this chroma a colour is called after its lightness. Common practice, no source.
NEUTRAL_CHROMA, WHITE_L, BLACK_L = 15.0, 75.0, 35.0


def colour_family(lab: ArrayLike) -> NDArray[np.str_]:
    """Rough name (n,) of Lab (n, 3): white, grey or black at little chroma, else the nearest
    of the half axes of CIELAB, red (+a*), yellow (+b*), green (-a*) or blue (-b*).

    Examples
    --------
    >>> colour_family([[92, 1, 3], [20, 0, -2], [50, 60, 30], [40, 10, -50]]).tolist()
    ['white', 'black', 'red', 'blue']
    """
    L, a, b = np.asarray(lab, float).T
    quarter = np.round(np.arctan2(b, a) / (np.pi / 2)).astype(int) % 4
    hue = np.array(["red", "yellow", "green", "blue"])[quarter]
    neutral = np.select([L > WHITE_L, L < BLACK_L], ["white", "black"], "grey")
    return np.where(np.hypot(a, b) < NEUTRAL_CHROMA, neutral, hue)
