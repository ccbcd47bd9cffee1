"""The same shop with one of its troubles taken away: what that trouble costs."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace

import numpy as np

from tests.worlds.light import Paths
from tests.worlds.world import World


def _lots(world: World) -> World:
    """Every lot of an ink is alike."""
    lots = world.lots
    same = {name: 0 * getattr(lots, name) for name in ("strength", "scattering", "tilt")}
    return replace(world, lots=replace(lots, **same))


def _drift(world: World) -> World:
    """Every press stays as it was on the first day."""
    level = world.presses.level
    return replace(
        world, presses=replace(world.presses, level=np.broadcast_to(level[:, :1], level.shape))
    )


def _gaps(world: World) -> World:
    """No cell is left empty."""
    return replace(world, laws=replace(world.laws, missing=0.0))


def _uneven(world: World) -> World:
    """Films are nearly even, and no fibre stands out of them."""
    even = replace(world.laws, uneven=0.06, uneven_bare=0.1, fibres=0.0)
    return replace(world, laws=even)


def _light(world: World) -> World:
    """Diffuse light runs in ink as it does in a turbid layer, whatever that absorbs."""
    return replace(world, laws=replace(world.laws, paths=Paths(2.0, 0.0, 0.5), slope=0.0))


def _scatter(world: World) -> World:
    """Prints and readings scatter by a third of what they do."""
    names = ("job_film_sd", "print_film_sd", "gain_sd", "band_sd", "haze_sd")
    laws = world.laws
    return replace(world, laws=replace(laws, **{n: 0.3 * getattr(laws, n) for n in names}))


TROUBLES: dict[str, Callable[[World], World]] = {
    "lots": _lots,
    "drift": _drift,
    "gaps": _gaps,
    "uneven": _uneven,
    "light": _light,
    "scatter": _scatter,
}


def without(world: World, troubles: Collection[str]) -> World:
    """The world without some of `TROUBLES`."""
    for trouble in troubles:
        world = TROUBLES[trouble](world)
    return world
