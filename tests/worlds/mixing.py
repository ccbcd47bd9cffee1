"""How this shop's inks mix, drawn by lot: not as their films add up.

In a little of itself among much of another an ink absorbs 0.45 to 3.2 times what its own film says
(the range of Levinson, Berdahl and Akbari 2005 on published pigments, from memory), less and less
so the more there is of it, by a power drawn for the shop; scattering changes less, and is lost
where two inks crowd each other. Every pair turns in hue a little. Recipes are by weight, and the
inks' densities are told to nobody.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.worlds.light import NM
from tests.worlds.materials import Lots
from tests.worlds.world import World

Array = NDArray[np.floating]

WEAKEST, STRONGEST = 0.45, 3.2
STEP_CM = (NM - 550) / 150


@dataclass(frozen=True)
class MixingLaws:
    """Of n inks; pairs (n, n) are symmetric."""

    strength: Array  # (n,) log factor on absorption of a trace of the ink
    scatter: Array  # (n,) the same of its scattering
    fades: float  # power of 1 - share by which both fade
    crowding: Array  # (n, n) log scattering lost by equal parts
    turn: Array  # (n, n, 2) log absorption of equal parts: by a step and a bow over the spectrum
    density: Array  # (n,) kg a litre of dry ink


def draw_mixing(rng: np.random.Generator, world: World) -> MixingLaws:
    """The laws of one shop."""
    n = len(world.inks.frame)
    white = world.inks.frame["ink_name"].str.contains("white", case=False).to_numpy()
    strength = rng.uniform(np.log(WEAKEST), np.log(STRONGEST), n)

    def of_pairs(sd: float, *more: int) -> Array:
        drawn = np.triu(rng.normal(0, sd, (*more, n, n)), 1)
        return np.moveaxis(drawn + np.swapaxes(drawn, -1, -2), 0, -1) if more else drawn + drawn.T

    return MixingLaws(
        strength=np.where(white, 0.0, strength),
        scatter=rng.normal(0, 0.15, n),
        fades=rng.uniform(0.6, 2.0),
        crowding=np.abs(of_pairs(rng.uniform(0.0, 0.15))),
        turn=of_pairs(0.05, 2),
        density=np.where(white, 1.35, rng.uniform(1.0, 1.15, n)),
    )


def lots_in_use(world: World, day: float) -> NDArray[np.intp]:
    """The lot of every ink (n,) that day, by position; -1 for a base, which has none."""
    inks = np.arange(len(world.inks.frame))
    used = world.lots.on(inks, np.full(len(inks), day))
    return np.where(np.isin(inks, world.lots.ink), used, -1)


def with_mix(
    world: World, laws: MixingLaws, by_weight: dict[int, float], lots: NDArray[np.intp]
) -> World:
    """The world with one ink more at the end of its shelf: inks, by position, mixed by weight from
    these ``lots`` of every ink (n,), -1 for none. Its one lot stands at the end of the lots."""
    inks = np.array(list(by_weight), int)
    weight = np.array(list(by_weight.values()), float)
    dry = weight * world.inks.solids[inks] / laws.density[inks]
    c = dry / dry.sum()
    none = (lots[inks] < 0)[:, None]
    by_a, by_s = (np.where(none, 1.0, by) for by in world.lots.spectral(lots[inks]))
    less = (1 - c) ** laws.fades
    a = c * np.exp(laws.strength[inks] * less) @ (world.inks.absorption[inks] * by_a)
    s = c * np.exp(laws.scatter[inks] * less) @ (world.inks.scattering[inks] * by_s)
    for (i, one), (j, other) in combinations(enumerate(inks), 2):
        met = 4 * c[i] * c[j]
        s = s * np.exp(-met * laws.crowding[one, other])
        step, bow = laws.turn[one, other]
        a = a * np.exp(met * (step * STEP_CM + bow * (2 * STEP_CM**2 - 1)))
    was, n = world.inks, len(world.inks.frame)
    share = weight / weight.sum()
    row = was.frame.iloc[[inks[0]]].assign(ink_id="MIX", ink_name="Mix", role="colour")
    own = float(1 / (c @ (1 / was.solids[inks])))
    mixed = replace(
        was,
        frame=pd.concat([was.frame, row], ignore_index=True),
        absorption=np.vstack([was.absorption, a]),
        scattering=np.vstack([was.scattering, s]),
        viscosity=np.append(was.viscosity, share @ was.viscosity[inks]),
        solids=np.append(was.solids, own),
        inside=np.append(was.inside, share @ was.inside[inks]),
        haze=np.append(was.haze, share @ was.haze[inks]),
    )
    of_mix = Lots(
        ink=np.append(world.lots.ink, n),
        number=np.append(world.lots.number, 1),
        first_day=np.append(world.lots.first_day, -1.0),
        strength=np.append(world.lots.strength, 0.0),
        scattering=np.append(world.lots.scattering, 0.0),
        tilt=np.append(world.lots.tilt, 0.0),
    )
    return replace(world, inks=mixed, lots=of_mix)


def printed_with(world: World, setups: pd.DataFrame) -> pd.DataFrame:
    """Set-ups with the mix of :func:`with_mix` as their ink."""
    return setups.assign(ink=len(world.inks.frame) - 1, lot=len(world.lots.ink) - 1)
