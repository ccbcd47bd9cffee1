"""How near any set-up comes to a target on one garment, whatever it does on the others.

Neighbouring screens print alike: every third one is tried first, for ink and base, and then the
neighbours of the best of these on either side.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.planning.candidates import Grid
from learn.planning.search import may_be, off_target
from learn.predict.garments import joint, outcome

if TYPE_CHECKING:
    from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]
Index = NDArray[np.intp]

AROUND = 250  # of the first whose neighbours are tried
ASKED, FAR_dE00, FEW = 24, 5.0, 6  # of the nearest are asked for their chance; fewer where far off


class Alone(NamedTuple):
    """How one garment can be printed."""

    dE00: float  # of the nearest mean
    chance: float  # the best that any of the nearest set-ups has


class _Steps(NamedTuple):
    """Screens in the order of what they hold: neighbours of each, and the middle of every three."""

    finer: Index  # (n,) itself at the end
    coarser: Index
    third: NDArray[np.bool_]


def alone(model: PrintModel, grid: Grid, target: Array, garment: str, tolerance: float) -> Alone:
    """The nearest set-up on one garment, and the best chance there."""
    held = model.encoder_.meshes["theoretical_ink_cm3_m2"].astype(float)
    meshes = _steps(held.loc[grid.meshes].to_numpy(), np.zeros(len(grid.meshes), int))
    bases = grid.bases
    way = {one: i for i, one in enumerate(dict.fromkeys((b[0], b[2]) for b in bases))}
    through = np.array([0.0 if b[1] is None else held[b[1]] for b in bases])
    based = _steps(through, np.array([way[b[0], b[2]] for b in bases]))

    _, _, mesh, _, base = np.unravel_index(np.arange(len(grid)), grid.shape)
    first = np.flatnonzero(meshes.third[mesh] & based.third[base])
    first = may_be(model, grid, first, garment)
    dE = off_target(model, grid, first, [garment], target)[:, 0]
    near = first[np.argsort(dE, kind="stable")[:AROUND]]
    press, ink, mesh, pattern, base = np.unravel_index(near, grid.shape)
    around = [
        np.ravel_multi_index((press, ink, m, pattern, b), grid.shape)
        for m in (meshes.finer[mesh], mesh, meshes.coarser[mesh])
        for b in (based.finer[base], base, based.coarser[base])
    ]
    more = np.setdiff1d(np.concatenate(around), first)
    more = may_be(model, grid, more, garment)
    if len(more):
        dE = np.r_[dE, off_target(model, grid, more, [garment], target)[:, 0]]
    asked = FEW if dE.min() > tolerance + FAR_dE00 else ASKED
    nearest = np.argsort(dE, kind="stable")[:asked]
    setups = grid.setups(np.r_[first, more][nearest])
    luck = outcome(joint(model, setups, [garment]), target, tolerance)
    return Alone(float(dE.min()), float(luck.p_all.max()))


def _steps(held: Array, group: Index) -> _Steps:
    """Neighbours within groups by what screens hold, (n,) each."""
    finer = np.arange(len(held))
    coarser, third = finer.copy(), np.zeros(len(held), bool)
    for one in np.unique(group):
        own = np.flatnonzero(group == one)
        own = own[np.argsort(held[own], kind="stable")]
        finer[own[1:]], coarser[own[:-1]] = own[:-1], own[1:]
        third[own[1::3]] = True
        third[own[-1]] |= len(own) % 3 == 1
    return _Steps(finer, coarser, third)
