"""Tens of thousands of candidates against a target, by their mean colour alone.

Every candidate is predicted on the darkest garment; in the order of how near it came there,
candidates are then predicted on the lightest, and those that can still matter on the others, until
none is left that can: the worst garment of a plan is at least as far off as any one of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.errors import Unusable
from learn.planning.candidates import Grid
from learn.predict.garments import on_garments
from learn.workers import in_threads

if TYPE_CHECKING:
    from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]

MARGIN = 1.0  # dE00 beyond the tolerance within which a mean can still matter
SHARE = 5000  # set-ups a worker predicts at a time
AT_A_TIME = 400  # of these predicted on further garments at a time
NEAREST = 24  # that many are found even where all lie beyond the margin
PLENTY = 2000  # that land: no more are looked for
# With base where needed, a garment goes without if it then lands as well as with the base, or
# within this share of the tolerance.
GOOD_ENOUGH = 0.5


class Scored(NamedTuple):
    """Candidates on all garments, by their means."""

    numbers: NDArray[np.intp]  # (n,) in the grid
    based: NDArray[np.bool_]  # (n, g) where the base is printed
    dE: Array  # (n, g) dE00 to the target

    def take(self, rows: NDArray) -> Scored:
        """The candidates at ``rows`` (positions or mask)."""
        return Scored(*(part[rows] for part in self))


def search(
    model: PrintModel, grid: Grid, target: Array, garments: list[str], tolerance: float
) -> Scored:
    """All candidates whose means may matter: base on all, on none, and where needed.

    Raises Unusable when no candidate keeps to the film limit.
    """
    ground = model.encoder_.substrate_r.mean(axis=1)
    at = model.encoder_.substrates.index.get_indexer(garments)
    order = np.argsort(ground[at], kind="stable")
    order = np.r_[order[:1], order[:0:-1]]  # the darkest decides most, then the lightest
    ordered = [garments[i] for i in order]

    def misses(numbers: NDArray[np.intp], on: list[str]) -> Array:
        return off_target(model, grid, numbers, on, target)

    # Straight on the cloth: few, and wanted on every garment for plans with base where needed.
    width, bare = len(grid.bases), grid.limits.bare
    tops = np.arange(0, len(grid), width)
    bare_dE = misses(tops, ordered) if bare else np.full((len(tops), len(garments)), np.inf)
    pool: list[NDArray[np.intp]] = [np.zeros(0, int)]
    dark: list[Array] = [np.zeros(0)]
    for numbers in grid.blocks():
        numbers = may_be(model, grid, numbers[numbers % width >= bare], garments[0])
        if len(numbers):
            pool.append(numbers)
            dark.append(misses(numbers, ordered[:1])[:, 0])
    based_of, dark_dE = np.concatenate(pool), np.concatenate(dark)
    at_least = np.minimum(dark_dE, bare_dE[based_of // width, 0])

    tops = may_be(model, grid, tops, garments[0]) if bare else tops[:0]
    nowhere = np.zeros((len(tops), len(garments)), bool)
    parts = [Scored(tops, nowhere, bare_dE[tops // width])]
    nearest_first = np.argsort(at_least, kind="stable")
    for start in range(0, len(based_of), AT_A_TIME):
        chunk = nearest_first[start : start + AT_A_TIME]
        worst = np.concatenate([part.dE.max(axis=1) for part in parts])
        enough = np.partition(worst, NEAREST - 1)[NEAREST - 1] if len(worst) >= NEAREST else np.inf
        limit = max(tolerance + MARGIN, enough)
        if at_least[chunk[0]] > limit or (worst <= tolerance).sum() >= PLENTY:
            break
        numbers, dE = based_of[chunk], dark_dE[chunk, None]
        for on in (ordered[1:2], ordered[2:]):
            without = bare_dE[numbers // width, : dE.shape[1]]
            near = np.minimum(dE, without).max(axis=1) <= limit
            numbers, dE = numbers[near], dE[near]
            if on and len(numbers):
                dE = np.hstack([dE, misses(numbers, on)])
        if not len(numbers):
            continue
        without = bare_dE[numbers // width]
        parts.append(Scored(numbers, np.ones(dE.shape, bool), dE))
        based = without > np.maximum(dE, GOOD_ENOUGH * tolerance)
        some = np.asarray(based.any(axis=1) & ~based.all(axis=1))
        parts.append(Scored(numbers, based, np.where(based, dE, without)).take(some))
    if not sum(len(part.numbers) for part in parts):
        msg = "no set-up lays so thin a film: allow a thicker one, or name a finer mesh"
        raise Unusable(msg)
    back = np.argsort(order)
    numbers, based, dE = (np.concatenate(part) for part in zip(*parts, strict=True))
    return Scored(numbers, based[:, back], dE[:, back])


def off_target(
    model: PrintModel, grid: Grid, numbers: NDArray[np.intp], on: list[str], target: Array
) -> Array:
    """dE00 (n, g) of the candidates' means on the garments ``on``, each with its base."""
    parts = np.array_split(numbers, max(1, len(numbers) * len(on) // SHARE))
    lab = in_threads(lambda some: model.means(on_garments(grid.setups(some), on)), parts)
    return delta_e00(np.concatenate(lab), target).reshape(len(numbers), len(on))


def may_be(
    model: PrintModel, grid: Grid, numbers: NDArray[np.intp], garment: str
) -> NDArray[np.intp]:
    """Those that may be looked at: within the film limit, which does not depend on the garment, and
    as inks and bases are printed (`Grid.usual`)."""
    numbers = grid.usual(numbers)
    limit = grid.limits.max_film_um
    if limit is None or not len(numbers):
        return numbers
    top, base = model.films_um(grid.setups(numbers).assign(substrate_id=garment))
    return numbers[top + base <= limit]
