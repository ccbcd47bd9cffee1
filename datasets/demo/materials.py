"""Invented pigments, inks, garments and cards: the matter of the demo shop.

Nothing here describes a product that exists. Absorption bands have the general shape of
their hue; amounts are chosen so that inks behave as plastisols on a shelf do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .colour_of import WAVELENGTHS_NM

Array = NDArray[np.float64]
NM = WAVELENGTHS_NM


def _edge(at_nm: float, width_nm: float) -> Array:
    """Absorbs below the edge, clear above it."""
    return 1.0 / (1.0 + np.exp((NM - at_nm) / width_nm))


def _band(at_nm: float, width_nm: float) -> Array:
    return np.exp(-0.5 * ((NM - at_nm) / width_nm) ** 2)


# Name -> absorption (peak about 1), scattering per unit of absorption, mean cosine.
PIGMENTS: dict[str, tuple[Array, float, float]] = {
    "yellow": (_edge(497, 9) + 0.004, 0.10, 0.70),
    "golden": (_edge(525, 12) + 0.010, 0.45, 0.65),
    "orange": (_edge(562, 11) * (1 - 0.25 * _band(430, 40)) + 0.006, 0.30, 0.65),
    "red": (_edge(586, 9) * (1 - 0.35 * _band(420, 45)) + 0.006, 0.25, 0.65),
    "magenta": (_band(535, 38) + 0.38 * _band(400, 45) + 0.008, 0.08, 0.72),
    "violet": (_band(575, 44) + 0.22 * _band(660, 35) + 0.15 * _band(400, 25) + 0.012, 0.12, 0.72),
    "blue": (_band(618, 46) + 0.75 * _band(695, 38) + 0.12 * _band(400, 22) + 0.008, 0.15, 0.70),
    "cyan": (_band(650, 48) + 0.50 * _band(610, 25) + 0.08 * _band(400, 25) + 0.006, 0.06, 0.75),
    "green": (_band(660, 50) + 0.85 * _band(425, 38) + 0.012, 0.25, 0.70),
    "brown": (0.8 * _edge(575, 38) + 0.16, 0.60, 0.60),
    "black": ((550.0 / NM) ** 0.25, 0.05, 0.55),
}
# White pigment: scattering 1 per um at 550 nm, nearly clear above its near-ultraviolet edge.
WHITE_ABSORPTION = 2.0e-4 + 0.15 * _edge(402, 5.5)
WHITE_SCATTERING = (550.0 / NM) ** 1.1
WHITE_G = 0.60
# Clear base: a little haze and yellowness.
BASE_ABSORPTION = 5e-5 + 2.5e-4 * _edge(440, 25)
BASE_SCATTERING = 0.010
BASE_G = 0.72


@dataclass(frozen=True)
class Formula:
    """Pigments (absorption per um of dry film at their peak) and white (scattering per um).

    ``share`` is how often the ink is ordered, 1 for the common run.
    """

    name: str
    pigments: dict[str, float]
    white: float
    share: float = 1.0


# From process-like and clear to opaque; pastels and darks; pairs that differ in opacity only.
COLOUR_INKS: tuple[Formula, ...] = (
    Formula("Clear yellow", {"yellow": 0.085}, 0.0),
    Formula("Clear magenta", {"magenta": 0.075}, 0.0),
    Formula("Clear cyan", {"cyan": 0.070}, 0.0),
    Formula("Clear violet", {"violet": 0.060}, 0.004),
    Formula("Light yellow", {"yellow": 0.099}, 0.18),
    Formula("Warm yellow", {"golden": 0.11, "orange": 0.0074}, 0.15, 1.5),
    Formula("Bright orange", {"orange": 0.081, "yellow": 0.019}, 0.075),
    Formula("Bright red", {"red": 0.099, "yellow": 0.012}, 0.044, 2),
    Formula("Bright red opaque", {"red": 0.22, "yellow": 0.031}, 0.18),
    Formula("Deep red", {"red": 0.11, "magenta": 0.031, "black": 0.0037}, 0.019),
    Formula("Maroon", {"red": 0.093, "violet": 0.031, "black": 0.014}, 0.044),
    Formula("Hot pink", {"magenta": 0.037}, 0.069),
    Formula("Pale pink", {"magenta": 0.014, "orange": 0.0026}, 0.33),
    Formula("Purple", {"violet": 0.068, "magenta": 0.019}, 0.044),
    Formula("Royal blue", {"blue": 0.081, "violet": 0.037}, 0.027, 2),
    Formula("Royal blue opaque", {"blue": 0.17, "violet": 0.081}, 0.14),
    Formula("Navy", {"blue": 0.087, "violet": 0.031, "black": 0.028}, 0.025, 2),
    Formula("Pale blue", {"cyan": 0.027, "blue": 0.0034}, 0.29),
    Formula("Turquoise", {"cyan": 0.043, "green": 0.014}, 0.11),
    Formula("Bright green", {"green": 0.081, "yellow": 0.025}, 0.037, 1.3),
    Formula("Bright green opaque", {"green": 0.19, "yellow": 0.056}, 0.15),
    Formula("Forest green", {"green": 0.11, "black": 0.019}, 0.037),
    Formula("Lime", {"yellow": 0.068, "green": 0.014}, 0.094),
    Formula("Bright white", {"blue": 0.0001}, 0.62, 2.5),
    Formula("Warm grey", {"black": 0.019, "brown": 0.0051}, 0.26),
    Formula("Dense black", {"black": 0.19, "blue": 0.02}, 0.005, 2),
)
BASES: tuple[Formula, ...] = (
    Formula("White base", {}, 0.74),
    Formula("Grey base", {"black": 0.011}, 0.55),
)


@dataclass(frozen=True)
class Optics:
    """Absorption, scattering (per um of dry film) and mean cosine, each (31,)."""

    mu_a: Array
    mu_s: Array
    g: Array

    def stronger(self, strength: float) -> Optics:
        """The same ink with more pigment in it: absorption fully, scattering partly."""
        return Optics(self.mu_a * strength, self.mu_s * strength**0.3, self.g)


def ink_optics(formula: Formula, rng: np.random.Generator, spread: float) -> Optics:
    """Optics of a formula; ``spread`` is how far amounts and bands wander (relative, 1 sd)."""
    absorbing = BASE_ABSORPTION.copy()
    parts = [(np.full(NM.size, BASE_SCATTERING), BASE_G)]
    white = formula.white * np.exp(spread * rng.normal())
    absorbing += white * WHITE_ABSORPTION
    parts.append((white * WHITE_SCATTERING, WHITE_G))
    for name, amount in formula.pigments.items():
        band, scatter, g = PIGMENTS[name]
        shifted = np.interp(NM + 20 * spread * rng.normal(), NM, band)
        amount = amount * np.exp(spread * rng.normal())
        absorbing += amount * shifted
        # Scattering of coloured particles is lower where they absorb.
        parts.append((amount * scatter * (1.3 - 0.6 * shifted), g))
    mu_s = sum(p for p, _ in parts)
    g = sum(p * cosine for p, cosine in parts) / mu_s
    return Optics(absorbing, mu_s, g)


@dataclass(frozen=True)
class Cloth:
    """A garment: what it is, how often it is ordered (share) and its dry spectrum."""

    name: str
    fibre: str
    share: float
    reflectance: Array


def _cloth(white: Array, dyes: dict[str, float], amount: float = 1.0) -> Array:
    """Dyed cloth: absorption added to that of white cloth (K/S scale), as dyers add it."""
    ratio = (1 - white) ** 2 / (2 * white)
    for name, strength in dyes.items():
        ratio = ratio + amount * strength * PIGMENTS[name][0]
    return 1 + ratio - np.sqrt(ratio**2 + 2 * ratio)


_BLEACHED = 0.86 - 0.10 * _edge(415, 14)
_RAW = 0.80 - 0.30 * _edge(450, 50)

_GARMENTS: tuple[tuple[str, str, float, Array, dict[str, float]], ...] = (
    ("White", "cotton", 5.0, _BLEACHED, {}),
    ("Black", "cotton", 5.0, _BLEACHED, {"black": 14.0}),
    ("Navy", "cotton", 2.6, _BLEACHED, {"blue": 7.0, "violet": 4.0, "black": 3.0}),
    ("Ash grey heather", "blend", 1.6, _BLEACHED, {"black": 0.16, "brown": 0.02}),
    ("Natural", "cotton", 1.0, _RAW, {}),
    ("Red", "cotton", 1.2, _BLEACHED, {"red": 6.0, "magenta": 1.2}),
    ("Royal", "cotton", 1.2, _BLEACHED, {"blue": 6.0, "violet": 1.8}),
    ("Charcoal", "blend", 1.0, _BLEACHED, {"black": 3.2}),
    ("White sport", "polyester", 1.2, _BLEACHED + 0.02, {}),
    ("Black sport", "polyester", 0.8, _BLEACHED, {"black": 18.0}),
    ("Light blue", "cotton", 0.6, _BLEACHED, {"cyan": 0.35, "blue": 0.15}),
    ("Gold", "cotton", 0.5, _BLEACHED, {"golden": 3.0, "orange": 0.3}),
    ("Royal sport", "polyester", 0.5, _BLEACHED, {"blue": 7.0, "violet": 1.5}),
    ("Forest", "cotton", 0.6, _BLEACHED, {"green": 5.0, "black": 1.4}),
    ("Sand", "cotton", 0.5, _BLEACHED, {"brown": 0.35}),
    ("Red sport", "polyester", 0.5, _BLEACHED, {"red": 7.0}),
)


def garments(rng: np.random.Generator) -> list[Cloth]:
    """The shop's garments; the last three are meant to be the unseen ones."""
    return [
        Cloth(
            name,
            fibre,
            share,
            _cloth(white, dyes, float(np.exp(0.08 * rng.normal())))
            * (1 + 0.01 * np.sin(2 * np.pi * (NM - 400) / 300 + rng.uniform(0, 6))),
        )
        for name, fibre, share, white, dyes in _GARMENTS
    ]


WHITE_CARD = 0.84 - 0.22 * _edge(412, 8)
BLACK_CARD = 0.012 + 0.0 * NM
