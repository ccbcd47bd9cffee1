"""Why a set-up helps, and what is in the way of a target, as data; words are made of it last."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.looks import NOTICED, looks_beside
from learn.physics.print_model import column_of
from learn.planning.alone import alone
from learn.planning.candidates import Grid
from learn.predict.garments import on_garments, spread_between
from learn.predict.protocol import MixModel
from learn.shop import UNDERBASE

if TYPE_CHECKING:
    from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]

# What counts as more or less ink, as another ground, and as more or less hiding of another ink;
# common practice, no source.
FILM_SHARE, GROUND_L, HIDING_SHARE = 0.12, 4.0, 0.25
ALIKE = 0.5  # share of the garments' difference beneath the ink that a base may leave
UNLIKELY = 0.05  # chance below which something is out of reach: all of its band lies beyond
MORE = 1.15  # times the ink, to see whether it would come nearer
NEARER = 0.1  # dE00 by which it must


class Why(StrEnum):
    """Why a line prints otherwise than the usual set-up, or why no line lands."""

    MORE_INK = "more_ink"  # of the usual ink: film in um, and the usual one
    LESS_INK = "less_ink"
    HIDES_MORE = "hides_more"  # another ink, as it is laid
    HIDES_LESS = "hides_less"
    ONE_GROUND = "one_ground"  # the base makes garments alike
    NO_BASE = "no_base"  # nothing to print, flash and register
    LIGHTER_GROUND = "lighter_ground"  # its L, and the usual one
    DARKER_GROUND = "darker_ground"
    OTHER_INK = "other_ink"  # the ink, and how its bucket looks beside the target
    NO_CHANCE = "no_chance"  # the whole band of every line lies beyond the tolerance
    SMALL_CHANCE = "small_chance"  # the best chance, though no mean lands
    NEAREST = "nearest"  # dE00 of the nearest line, its worst garment, how it looks there
    NOT_WITH_ONE = "not_with_one"  # each garment can be reached, not all with one set-up
    OUT_OF_REACH = "out_of_reach"  # garments that no set-up reaches, with their dE00
    HARD_TO_REACH = "hard_to_reach"  # garments that none is expected to reach, with the best chance
    NO_BUCKET = "no_bucket"  # the ink nearest in the bucket, its dE00, how it looks
    MOST_INK = "most_ink"  # the ink, and the film in um: no more can be laid, and would help
    LEAST_INK = "least_ink"


class Reason(NamedTuple):
    """A cause and the facts a sentence about it tells."""

    why: Why
    subject: str = ""  # an ink or a garment
    value: float | None = None
    usual: float | None = None
    looks: tuple[str, ...] = ()
    each: tuple[tuple[str, float], ...] = ()


class Reasons:
    """Reasons of plans for one target."""

    def __init__(
        self, model: PrintModel, target: Array, tolerance: float, garments: list[str]
    ) -> None:
        self.model, self.target, self.tolerance, self.garments = model, target, tolerance, garments
        inks = model.encoder_.inks.index
        self.bucket = pd.DataFrame(model.buckets(list(inks))[0], index=inks)

    def told(self, lines: pd.DataFrame) -> pd.DataFrame:
        """``lines`` with ``changes`` from the first, which is the usual one, and ``why``."""
        films, _ = self.model.films_um(lines.assign(substrate_id=self.garments[0]))
        shown, ground = self._shown(lines), self._ground(lines)
        records = lines.to_dict("records")
        usual = records[0]
        why = [
            (
                *self._film(line, usual, films[[i, 0]], shown[[i, 0]]),
                *self._base(line, usual, ground[i], ground[0]),
                *self._ink(line, usual),
            )
            for i, line in enumerate(records)
        ]
        changes = [changed(line, usual) for line in records]
        return lines.assign(
            changes=pd.Series(changes, dtype=object),
            n_changes=[len(c) for c in changes],
            why=pd.Series(why, dtype=object),
        )

    def _shown(self, lines: pd.DataFrame) -> Array:
        """How far apart the ink of each line prints on the darkest and on the lightest garment of
        the shop, straight on the cloth: dE00 (n,)."""
        light = self.model.encoder_.substrate_r.mean(axis=1)
        ends = self.model.encoder_.substrates.index[[light.argmin(), light.argmax()]]
        bare = np.zeros((len(lines), 2), bool)
        return spread_between(
            self.model.means(on_garments(lines, list(ends), bare)).reshape(-1, 2, 3)
        )

    def _ground(self, lines: pd.DataFrame) -> Array:
        """Lab (n, g, 3) of what the ink lies on."""
        based = np.array([[g in on for g in self.garments] for on in lines["base_on"]])
        lab = self.model.grounds(on_garments(lines, self.garments, based))
        return lab.reshape(*based.shape, 3)

    @staticmethod
    def _film(line: dict, usual: dict, film: Array, shown: Array) -> list[Reason]:
        """What more or less ink does, ``film`` and ``shown`` of the line and of the usual one."""
        less_shows = shown[0] < shown[1]
        if line["ink_id"] != usual["ink_id"]:
            if max(shown) < (1 + HIDING_SHARE) * min(shown):
                return []
            return [Reason(Why.HIDES_MORE if less_shows else Why.HIDES_LESS, line["ink_id"])]
        more = film[0] > film[1]
        if max(film) < (1 + FILM_SHARE) * min(film) or more != less_shows:
            return []
        return [Reason(Why.MORE_INK if more else Why.LESS_INK, value=film[0], usual=film[1])]

    def _base(self, line: dict, usual: dict, ground: Array, usually: Array) -> list[Reason]:
        found = []
        everywhere = len(line["base_on"]) == len(self.garments) > 1
        evened = usual["spread_dE00"] - line["spread_dE00"]
        left = spread_between(ground) < ALIKE * spread_between(usually)
        if everywhere and not usual["base_on"] and evened > NOTICED and left:
            found.append(Reason(Why.ONE_GROUND))
        if not line["base_on"] and usual["base_on"]:
            found.append(Reason(Why.NO_BASE))
        L, before = ground[:, 0], usually[:, 0]
        one_way = (np.sign(L - before) == np.sign(L.mean() - before.mean())) | (before == L)
        if abs(L.mean() - before.mean()) > GROUND_L and one_way.all():
            why = Why.LIGHTER_GROUND if L.mean() > before.mean() else Why.DARKER_GROUND
            found.append(Reason(why, value=L.mean(), usual=before.mean()))
        return found

    def _ink(self, line: dict, usual: dict) -> list[Reason]:
        ink = line["ink_id"]
        if ink == usual["ink_id"]:
            return []
        looks = looks_beside(self.bucket.loc[ink], self.target)
        return [Reason(Why.OTHER_INK, ink, looks=looks)]

    def in_the_way(self, lines: pd.DataFrame, colours: pd.DataFrame, grid: Grid) -> list[Reason]:
        """Why no line lands, the main thing first; empty where one does."""
        worst = lines["worst_dE00"]
        if worst.min() <= self.tolerance:
            return []
        chance = float(lines["p_all"].max())
        told = [
            Reason(Why.NO_CHANCE) if chance < UNLIKELY else Reason(Why.SMALL_CHANCE, value=chance)
        ]
        near = lines.loc[worst.idxmin()]
        colour = colours[colours["line"] == worst.idxmin()].nlargest(1, "dE00").iloc[0]
        looks = looks_beside(colour[["L", "a", "b"]], self.target)
        told.append(Reason(Why.NEAREST, near["worst_garment"], worst.min(), looks=looks))
        told += self._one_by_one(grid) if len(self.garments) > 1 else []
        bucket = self.bucket.loc[grid.inks].to_numpy()
        off = delta_e00(bucket, self.target)
        if off.min() > self.tolerance:
            i = int(off.argmin())
            looks = looks_beside(bucket[i], self.target)
            told.append(Reason(Why.NO_BUCKET, grid.inks[i], float(off[i]), looks=looks))
        return told + self._edge(near, grid)

    def _one_by_one(self, grid: Grid) -> list[Reason]:
        """What each garment could be printed like by itself."""
        found = [alone(self.model, grid, self.target, g, self.tolerance) for g in self.garments]
        each = list(zip(self.garments, found, strict=True))
        missed = [(g, one) for g, one in each if one.dE00 > self.tolerance]
        if not missed:
            return [Reason(Why.NOT_WITH_ONE)]
        out = tuple((g, one.dE00) for g, one in missed if one.chance < UNLIKELY)
        hard = tuple((g, one.chance) for g, one in missed if one.chance >= UNLIKELY)
        told = [Reason(Why.OUT_OF_REACH, each=out)] if out else []
        return told + ([Reason(Why.HARD_TO_REACH, each=hard)] if hard else [])

    def _edge(self, near: pd.Series, grid: Grid) -> list[Reason]:
        """Whether the nearest line stands at an end of what the limits allow to be laid, and would
        come nearer beyond it."""
        tops = np.arange(0, len(grid), len(grid.bases))
        setups = grid.setups(tops)
        setups = setups[setups["ink_id"] == near["ink_id"]].assign(substrate_id=self.garments[0])
        films, _ = self.model.films_um(setups)
        here, _ = self.model.films_um(near.to_frame().T.assign(substrate_id=self.garments[0]))
        if here[0] > 0.95 * films.max() and self._nearer(near, MORE):
            return [Reason(Why.MOST_INK, near["ink_id"], float(here[0]))]
        if here[0] < 1.05 * films.min() and self._nearer(near, 1 / MORE):
            return [Reason(Why.LEAST_INK, near["ink_id"], float(here[0]))]
        return []

    def _nearer(self, line: pd.Series, times: float) -> bool:
        """Whether so many times the ink would come nearer on the worst garment."""
        if not isinstance(self.model, MixModel):  # it knows no films but those of set-ups
            return False
        based = np.array([[g in line["base_on"] for g in self.garments]])
        on = self.model.in_print(on_garments(line.to_frame().T, self.garments, based))
        optics = on.at()
        shifts = optics.shifts.copy()
        shifts[:, column_of("film")] += np.log(times)
        now, then = (
            delta_e00(on.lab(on.stack, one), self.target).max()
            for one in (optics, optics._replace(shifts=shifts))
        )
        return bool(then < now - NEARER)


def changed(line: dict, usual: dict) -> tuple[str, ...]:
    """What a line changes from the usual one: of ink, mesh, strokes, base, press."""
    same = {
        "ink": line["ink_id"] == usual["ink_id"],
        "mesh": line["mesh_id"] == usual["mesh_id"],
        "strokes": all(line[c] == usual[c] for c in ("strokes", "flash_count")),
        "base": _base_of(line) == _base_of(usual),
        "press": line["press_id"] == usual["press_id"] or usual["press_id"] is None,
    }
    return tuple(what for what, alike in same.items() if not alike)


def _base_of(line: dict) -> tuple:
    """The base of a line: on which garments, what, through which mesh, how often."""
    if not line["base_on"]:
        return ()
    ink, mesh, strokes = (line[c] for c in UNDERBASE)
    return (line["base_on"], ink, mesh, 1.0 if pd.isna(strokes) else float(strokes))
