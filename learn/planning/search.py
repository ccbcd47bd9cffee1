"""Tens of thousands of candidates against a target, by their mean colour alone.

Every candidate is predicted on one garment; in the order of how near it came there, candidates
are then predicted on the others, until none that is left can still matter: the worst garment
of a plan is at least as far off as the first one.
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
POOL = 4000  # candidates kept from the look at one garment
SHARE = 5000  # set-ups a worker predicts at a time
AT_A_TIME = 400  # of these predicted on all garments at a time
NEAREST = 24  # that many are found even where all lie beyond the margin
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
    order = np.argsort(ground[at], kind="stable")  # the darkest decides most
    ordered = [garments[i] for i in order]

    def misses(numbers: NDArray[np.intp], on: list[str]) -> Array:
        parts = np.array_split(numbers, max(1, len(numbers) * len(on) // SHARE))
        lab = in_threads(lambda some: model.means(on_garments(grid.setups(some), on)), parts)
        return delta_e00(np.concatenate(lab), target).reshape(len(numbers), len(on))

    # Straight on the cloth: few, and wanted on every garment for plans with base where needed.
    width, bare = len(grid.bases), grid.limits.bare
    tops = np.arange(0, len(grid), width)
    bare_dE = misses(tops, ordered) if bare else np.full((len(tops), len(garments)), np.inf)
    pool, score = np.zeros(0, int), np.zeros(0)
    for numbers in grid.blocks():
        numbers = _thin_enough(model, grid, numbers[numbers % width >= bare], garments[0])
        if len(numbers):
            dE = misses(numbers, ordered[:1])[:, 0]
            dE = np.minimum(dE, bare_dE[numbers // width, 0])
            pool, score = np.concatenate([pool, numbers]), np.concatenate([score, dE])
        if len(pool) > POOL:
            best = np.argpartition(score, POOL)[:POOL]
            pool, score = pool[best], score[best]

    tops = _thin_enough(model, grid, tops, garments[0]) if bare else tops[:0]
    nowhere = np.zeros((len(tops), len(garments)), bool)
    parts = [Scored(tops, nowhere, bare_dE[tops // width])]
    nearest_first = np.argsort(score, kind="stable")
    for start in range(0, len(pool), AT_A_TIME):
        chunk = nearest_first[start : start + AT_A_TIME]
        worst = np.sort(np.concatenate([part.dE.max(axis=1) for part in parts]))
        enough = worst[NEAREST - 1] if len(worst) >= NEAREST else np.inf
        if score[chunk[0]] > max(tolerance + MARGIN, enough):
            break
        numbers = pool[chunk]
        dE, without = misses(numbers, ordered), bare_dE[numbers // width]
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


def _thin_enough(
    model: PrintModel, grid: Grid, numbers: NDArray[np.intp], garment: str
) -> NDArray[np.intp]:
    """Those within the film limit; film does not depend on the garment."""
    limit = grid.limits.max_film_um
    if limit is None or not len(numbers):
        return numbers
    top, base = model.films_um(grid.setups(numbers).assign(substrate_id=garment))
    return numbers[top + base <= limit]
