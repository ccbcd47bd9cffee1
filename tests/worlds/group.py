"""Invents a group: plants that print the same inks on presses and cloth of their own.

An ink is the same everywhere, and so is how light runs in it. Presses, meshes, garments, lots and
instruments are each plant's own, drawn by lot; which inks a plant prints much, seldom or never is
another in each.
"""

from __future__ import annotations

import numpy as np

from tests.worlds.laws import draw_laws
from tests.worlds.light import NM
from tests.worlds.materials import draw_inks
from tests.worlds.shop import KINDS, Common, Drawn, draw_plant, inks_of
from tests.worlds.world import Instrument

# Laws that belong to the inks and their light, not to a press hall.
OF_LIGHT = ("paths", "inside", "slope")
# What two instruments differ by: some tenths of a unit of Lab. Common practice, no source.
GAIN_SD, TILT_SD, DARK_SD = 0.006, 0.005, 0.0006


def draw_group(seed: int, sizes: tuple[int, ...], kind: str, ask: int = 60) -> list[Drawn]:
    """Plants of one group, by the ``sizes`` of their histories; the same seed gives the same."""
    drawn = [seed, len(sizes), KINDS.index(kind)]
    of_inks, of_light, of_instruments = np.random.default_rng(drawn).spawn(3)
    water = kind == "water"
    inks = draw_inks(of_inks, inks_of(kind, max(sizes)), water)
    laws = draw_laws(of_light, water)
    light = {name: getattr(laws, name) for name in OF_LIGHT}
    plants = []
    for i, size in enumerate(sizes):
        common = Common(inks, light, draw_instrument(of_instruments))
        name = f"Plant {chr(ord('A') + i)} of {kind}-{seed}"
        plants.append(draw_plant([*drawn, i + 1], size, kind, ask, name, common))
    return plants


def draw_instrument(rng: np.random.Generator) -> Instrument:
    """Another instrument of the same make: a little brighter or darker, more so at one end."""
    slope = (NM - 550) / 150
    gain = 1 + GAIN_SD * rng.normal() + TILT_SD * rng.normal() * slope
    return Instrument(gain, DARK_SD * rng.normal())
