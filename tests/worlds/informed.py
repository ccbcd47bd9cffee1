"""What one would know of next prints who knew every law and every thing of a world but two: its
lots, which are learnt from their prints, and what stood on the press where a cell is empty.

Between an oracle, who knows all but chance, and a model, which has the laws to learn as well: what
lacks to the first nobody can know, and what lacks to this is there to be learnt.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.worlds.light import lab_of
from tests.worlds.materials import Lots
from tests.worlds.shop import CELLS, Drawn, Query, stencil_um
from tests.worlds.world import World

Array = NDArray[np.floating]

MOVES = ("strength", "scattering", "tilt")  # what sets a lot apart
STEP = 0.01  # of these, for tangents
AT_ONCE = 4000  # prints looked at together


@dataclass(frozen=True)
class Informed:
    """What is so known of the lots of a world: by tangents where each really is, with a prior as
    wide as its own size where it is far off the others."""

    world: World
    mean: Array  # (lots, 3)
    covariance: Array  # (lots, 3, 3)
    printed: NDArray[np.bool_]

    @classmethod
    def of(cls, drawn: Drawn) -> Informed:
        """By the spectra of the right prints of a history."""
        return cls(drawn.world, *_believed(drawn))

    def next_prints(self, query: Query, draws: int = 200) -> Array:
        """Lab (draws, n, 3) that the next print of each set-up may have, as one so informed
        believes. A lot without prints may be any of the shop's."""
        rng = np.random.default_rng(0)
        setups = pd.concat([_filled(rng, query) for _ in range(draws)], ignore_index=True)
        lot = np.tile(query.setups["lot"].to_numpy(), draws)
        ink = self.world.lots.ink[lot]
        world, setups["lot"] = _with_lots(self.world, ink, self._drawn(rng, lot))
        sd = np.hypot(world.laws.job_film_sd, world.laws.print_film_sd)
        spectra = [
            world.reflectance(some, *(sd * rng.normal(size=(2, len(some)))))
            for some in (setups[i : i + AT_ONCE] for i in range(0, len(setups), AT_ONCE))
        ]
        read = world.read(rng, np.concatenate(spectra), setups["readings"].to_numpy(float))
        return lab_of(read).reshape(draws, len(query), 3)

    def _drawn(self, rng: np.random.Generator, lot: NDArray[np.intp]) -> Array:
        """What may set each of these lots (m,) apart, (m, 3)."""
        away = np.linalg.cholesky(self.covariance + 1e-12 * np.eye(3))[lot]
        known = self.mean[lot] + np.einsum("mij,mj->mi", away, rng.normal(size=(len(lot), 3)))
        usual = _moves(self.world.lots)[_ordinary(self.world.lots)]
        return np.where(self.printed[lot, None], known, rng.choice(usual, len(lot)))


def _filled(rng: np.random.Generator, query: Query) -> pd.DataFrame:
    """Set-ups with what may have stood on the press where neither they nor their job say."""
    setups = query.setups.reset_index(drop=True)
    shown = query.shown.reset_index(drop=True)
    for name, (options, share) in CELLS.items():
        told = shown.groupby("job")[name].transform("first").notna()
        setups[name] = setups[name].where(told, rng.choice(options, len(setups), p=share))
    setups["eom"] = setups["eom"].where(shown["eom"].notna(), stencil_um(rng, len(setups)))
    return setups


def _believed(drawn: Drawn) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Mean (lots, 3) and covariance (lots, 3, 3) of what sets lots apart, by the spectra of their
    right prints; whether they have any."""
    world, laws = drawn.world, drawn.world.laws
    right = np.ones(len(drawn.history), bool)
    right[list(drawn.wrong)] = False
    history = drawn.history[right].reset_index(drop=True)
    mean, by_top, by_base = world.tangents(history)
    by_lot = np.stack([(_moved(world, m).reflectance(history) - mean) / STEP for m in MOVES], 2)
    off = drawn.measured[right] - mean
    of_reading = 1 / history["readings"].to_numpy(float)[:, None]
    own = ((laws.band_sd * mean) ** 2 + 0.0003**2) * of_reading  # of every band by itself
    films = [by_top, by_base]
    alone = [laws.gain_sd * mean, np.full_like(mean, laws.haze_sd)]
    alone += [laws.print_film_sd * film for film in films]
    of_job = [laws.job_film_sd * film for film in films]
    job, lot = (history[c].to_numpy() for c in ("job", "lot"))
    truly = _moves(world.lots)
    usual = np.median(truly[_ordinary(world.lots)] ** 2, axis=0) / 0.455  # of a normal law
    prior = np.maximum(usual, truly**2) + 1e-8
    believed, left = np.zeros_like(truly), np.zeros((len(truly), 3, 3))
    for k in np.unique(lot):
        rows = np.flatnonzero(lot == k)
        causes = [
            np.where(np.arange(len(rows))[:, None] == i, one[rows], 0).ravel()
            for i in range(len(rows))
            for one in alone
        ]
        causes += [
            np.where((job[rows] == j)[:, None], one[rows], 0).ravel()
            for j in np.unique(job[rows])
            for one in of_job
        ]
        scatter = np.diag(own[rows].ravel()) + np.transpose(causes) @ causes
        way = by_lot[rows].reshape(-1, 3)
        weight = np.linalg.solve(scatter, way)
        left[k] = np.linalg.inv(way.T @ weight + np.diag(1 / prior[k]))
        believed[k] = truly[k] + left[k] @ (weight.T @ off[rows].ravel() - truly[k] / prior[k])
    return believed, left, np.isin(np.arange(len(truly)), lot)


def _ordinary(lots: Lots) -> NDArray[np.bool_]:
    """Lots of the common run of jobs, or drawn as these are."""
    strong = np.isinf(lots.first_day) & (np.abs(lots.strength) > 0.2)
    return ~strong


def _moves(lots: Lots) -> Array:
    return np.stack([getattr(lots, m) for m in MOVES], axis=1)


def _moved(world: World, which: str) -> World:
    lots = world.lots
    return replace(world, lots=replace(lots, **{which: getattr(lots, which) + STEP}))


def _with_lots(world: World, ink: NDArray[np.intp], moves: Array) -> tuple[World, NDArray]:
    """A world with as many more lots, and where these are."""
    lots, m = world.lots, len(ink)
    more = dict(zip(MOVES, moves.T, strict=True))
    more |= {"ink": ink, "number": np.zeros(m, int), "first_day": np.full(m, np.inf)}
    joined = {name: np.append(getattr(lots, name), values) for name, values in more.items()}
    return replace(world, lots=replace(lots, **joined)), len(lots.ink) + np.arange(m)
