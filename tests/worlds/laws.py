"""The laws of one shop's press hall, drawn at random from wide ranges.

Ranges are wider than any one shop's and meant to hold all of them: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.worlds.light import Paths

Array = NDArray[np.floating]

FILMS = ("lognormal", "gamma", "two levels", "long thin tail")
NODES = 7  # patches of equal area, from thin to thick


@dataclass(frozen=True)
class Bend:
    """A monotone line that bends: ``slope`` at 0, steeper (``bend`` > 0) or flatter beyond."""

    slope: float
    bend: float

    def __call__(self, x: Array) -> Array:
        return self.slope * np.expm1(self.bend * x) / self.bend


@dataclass(frozen=True)
class Laws:
    """How this shop's ink gets on the cloth and what it does there.

    Numbers of film are in log film unless their names say otherwise.
    """

    # film
    transfer: float
    opening_turn_um: float  # half of the transfer is lost at this opening
    opening_power: float
    hardness: Bend  # by 10 Shore over 70
    angle: Bend  # by 10 degrees over 12, leaning further lays more
    gap: Bend  # by mm over 2
    viscosity: float
    fine_hardness: float  # how much more hardness and viscosity do on fine mesh
    hard_gap: float  # a hard blade bridges a wide gap worse still
    stencil_share: float
    wet_gain: float
    wet_decay: float  # every further wet stroke brings this share of the one before
    wet_coarse: float  # less room left on a coarse mesh
    flash_gain: float
    flash_decay: float
    # cloth
    uptake_um: float  # what bare cloth can take, plastisol
    uptake_water_um: float
    uptake_share: float  # of the first of the ink
    fibres: float  # share of the area where fibres stand out of a thin film
    fibres_um: float  # the film that lays them flat
    migration: float  # absorption a um the lowest layer gets from loose dye, over the cloth's own
    discharge: dict[str, float]  # by fibre
    discharge_um: float
    wetting: float  # what wet cloth still scatters
    depth: float  # scattering power of the part of the cloth that ink reaches
    # film upon the cloth
    films: str
    uneven: float
    uneven_bare: float
    base_follows: float  # power with which the base is thick where the ink is
    # light
    paths: Paths
    inside: float
    slope: float
    haze: float
    # scatter, print by print
    job_film_sd: float
    print_film_sd: float
    gain_sd: float  # of the whole spectrum, relative
    band_sd: float  # of one band, relative
    haze_sd: float
    missing: float  # share of empty cells


def draw_laws(rng: np.random.Generator, water: bool) -> Laws:
    """Another shop's laws; ``water``: inks that are mostly water."""

    def u(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def bend(low: float, high: float, most: float) -> Bend:
        return Bend(u(low, high), float(rng.choice([-1, 1])) * u(0.1, most))

    return Laws(
        transfer=u(0.45, 0.80),
        opening_turn_um=u(18, 60),
        opening_power=u(1.2, 2.6),
        hardness=bend(0.03, 0.13, 0.6),
        angle=bend(0.02, 0.14, 0.5),
        gap=bend(0.015, 0.09, 0.35),
        viscosity=u(0.02, 0.10),
        fine_hardness=u(0.0, 0.8),
        hard_gap=u(0.0, 0.025),
        stencil_share=u(0.25, 0.75),
        wet_gain=u(0.18, 0.55),
        wet_decay=u(0.3, 0.8),
        wet_coarse=u(0.0, 0.5),
        flash_gain=u(0.6, 0.98),
        flash_decay=u(0.75, 1.0),
        uptake_um=u(0.5, 4.0),
        uptake_water_um=u(2.0, 7.0),
        uptake_share=u(0.3, 0.9),
        fibres=u(0.01, 0.08),
        fibres_um=u(8, 30) * (0.5 if water else 1.0),
        migration=u(0.0, 0.003),
        discharge={"cotton": u(0.86, 0.985), "blend": u(0.4, 0.7), "polyester": u(0.02, 0.12)},
        discharge_um=u(1.5, 5.0),
        wetting=u(0.35, 0.85),
        depth=u(1.0, 4.0),
        films=str(rng.choice(FILMS)),
        uneven=u(0.06, 0.20),
        uneven_bare=u(0.15, 0.40),
        base_follows=u(-0.5, 0.8),
        paths=Paths(u(1.8, 2.1), u(0.1, 0.7), u(0.3, 0.75)),
        inside=u(0.42, 0.60),
        slope=u(-0.12, 0.12),
        haze=u(0.001, 0.008),
        job_film_sd=u(0.02, 0.045),
        print_film_sd=u(0.015, 0.035),
        gain_sd=u(0.005, 0.012),
        band_sd=u(0.003, 0.008),
        haze_sd=u(0.0004, 0.0012),
        missing=u(0.04, 0.14),
    )


def film_um(
    laws: Laws,
    *,
    volume: Array,
    opening_um: Array,
    viscosity: Array,
    shore: Array,
    angle_deg: Array,
    gap_mm: Array,
    eom_um: Array,
    strokes: Array,
    flashes: Array,
    solids: Array,
) -> Array:
    """Dry film (n,), um, of a press at its usual state.

    Monotone: harder, more upright, farther off, finer: less; more strokes and stencil: more.
    """
    fine = np.maximum(1 + laws.fine_hardness * np.log(100 / opening_um), 0.3)
    x, g = (shore - 70) / 10, gap_mm - 2
    log_transfer = (
        -laws.hardness(x) * fine
        + laws.angle((angle_deg - 12) / 10)
        - laws.gap(g)
        - laws.viscosity * viscosity * fine
        - laws.hard_gap * np.logaddexp(0, 2 * x) * np.logaddexp(0, g)
    )
    passed = 1 / (1 + (laws.opening_turn_um / opening_um) ** laws.opening_power)
    mesh = volume * laws.transfer * passed * np.exp(log_transfer)
    first = mesh + laws.stencil_share * eom_um * np.exp(0.5 * log_transfer)
    wet = np.maximum(strokes - 1 - flashes, 0)
    coarse = np.exp(-laws.wet_coarse * np.maximum(opening_um - 60, 0) / 150)
    wetter = laws.wet_gain * coarse * _summed(laws.wet_decay, wet)
    flashed = laws.flash_gain * _summed(laws.flash_decay, flashes)
    return first * solids * (1 + wetter + flashed)


def _summed(decay: float, n: Array) -> Array:
    """1 + decay + ... of n terms, also between whole numbers."""
    return n if abs(decay - 1) < 1e-9 else (1 - decay**n) / (1 - decay)


def patches(laws: Laws, spread: Array) -> Array:
    """Film over its mean (n, NODES) in patches of equal area; ``spread`` (n,): its variation."""
    from scipy import stats

    p = (np.arange(NODES) + 0.5) / NODES
    cv = spread[:, None]
    if laws.films == "lognormal":
        found = np.exp(cv * stats.norm.ppf(p))
    elif laws.films == "gamma":
        found = stats.gamma.ppf(p, 1 / cv**2)
    elif laws.films == "two levels":  # crossings of the threads, and what lies between
        found = 1 + cv * np.where(p < 0.3, -1.5, 0.64) + 0.3 * cv * stats.norm.ppf(p)
    else:
        found = stats.weibull_min.ppf(p, 1.2 / np.maximum(cv, 0.03))
    found = np.maximum(found, 0.02)
    return found / found.mean(axis=1, keepdims=True)
