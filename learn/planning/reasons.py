"""Why a set-up helps, and what is in the way of a target, as data; words are made of it last."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.looks import NOTICED, looks_beside
from learn.planning.candidates import Grid
from learn.predict.garments import on_garments
from learn.shop import UNDERBASE

if TYPE_CHECKING:
    from learn.planning.search import Scored
    from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]

# What counts as more or less ink, and as another ground; common practice, no source.
FILM_SHARE, GROUND_L = 0.12, 4.0


class Why(StrEnum):
    """Why a line prints otherwise than the usual set-up, or why no line lands."""

    MORE_INK = "more_ink"  # film in um, and the usual one
    LESS_INK = "less_ink"
    ONE_GROUND = "one_ground"  # the base makes garments alike
    NO_BASE = "no_base"  # nothing to print, flash and register
    LIGHTER_GROUND = "lighter_ground"  # its L, and the usual one
    DARKER_GROUND = "darker_ground"
    OTHER_INK = "other_ink"  # the ink, and how its bucket looks beside the target
    NEAREST = "nearest"  # dE00 of the nearest line, its worst garment, how it looks there
    NOT_WITH_ONE = "not_with_one"  # each garment can be reached, not all with one set-up
    OUT_OF_REACH = "out_of_reach"  # garments that no set-up reaches, with their dE00
    NO_BUCKET = "no_bucket"  # the ink nearest in the bucket, its dE00, how it looks
    MOST_INK = "most_ink"  # the ink, and the film in um: no more can be laid
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
        ground = self._ground(lines)
        records = lines.to_dict("records")
        usual = records[0]
        why = [
            (
                *self._film(films[i], films[0]),
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

    def _ground(self, lines: pd.DataFrame) -> Array:
        """Lightness of what the ink lies on, mean over the garments, (n,)."""
        based = np.array([[g in on for g in self.garments] for on in lines["base_on"]])
        lab = self.model.grounds(on_garments(lines, self.garments, based))
        return lab[:, 0].reshape(based.shape).mean(axis=1)

    @staticmethod
    def _film(film: float, usual: float) -> list[Reason]:
        if film > (1 + FILM_SHARE) * usual:
            return [Reason(Why.MORE_INK, value=film, usual=usual)]
        if film < usual / (1 + FILM_SHARE):
            return [Reason(Why.LESS_INK, value=film, usual=usual)]
        return []

    def _base(self, line: dict, usual: dict, ground: float, usually: float) -> list[Reason]:
        found = []
        everywhere = len(line["base_on"]) == len(self.garments) > 1
        evened = usual["spread_dE00"] - line["spread_dE00"]
        if everywhere and not usual["base_on"] and evened > NOTICED:
            found.append(Reason(Why.ONE_GROUND))
        if not line["base_on"] and usual["base_on"]:
            found.append(Reason(Why.NO_BASE))
        if abs(ground - usually) > GROUND_L:
            why = Why.LIGHTER_GROUND if ground > usually else Why.DARKER_GROUND
            found.append(Reason(why, value=ground, usual=usually))
        return found

    def _ink(self, line: dict, usual: dict) -> list[Reason]:
        ink = line["ink_id"]
        if ink == usual["ink_id"]:
            return []
        looks = looks_beside(self.bucket.loc[ink], self.target)
        return [Reason(Why.OTHER_INK, ink, looks=looks)]

    def in_the_way(
        self, lines: pd.DataFrame, colours: pd.DataFrame, found: Scored, grid: Grid
    ) -> list[Reason]:
        """Why no line lands, the main thing first; empty where one does."""
        worst = lines["worst_dE00"]
        if worst.min() <= self.tolerance:
            return []
        near = lines.loc[worst.idxmin()]
        colour = colours[colours["line"] == worst.idxmin()].nlargest(1, "dE00").iloc[0]
        looks = looks_beside(colour[["L", "a", "b"]], self.target)
        told = [Reason(Why.NEAREST, near["worst_garment"], worst.min(), looks=looks)]
        apart = found.dE.min(axis=0)
        if (apart <= self.tolerance).all():
            told.append(Reason(Why.NOT_WITH_ONE))
        elif len(apart) > 1:
            each = zip(self.garments, apart, strict=True)
            alone = tuple((g, float(d)) for g, d in each if d > self.tolerance)
            told.append(Reason(Why.OUT_OF_REACH, each=alone))
        bucket = self.bucket.loc[grid.inks].to_numpy()
        off = delta_e00(bucket, self.target)
        if off.min() > self.tolerance:
            i = int(off.argmin())
            looks = looks_beside(bucket[i], self.target)
            told.append(Reason(Why.NO_BUCKET, grid.inks[i], float(off[i]), looks=looks))
        return told + self._edge(near, grid)

    def _edge(self, near: pd.Series, grid: Grid) -> list[Reason]:
        """Whether the nearest line stands at an end of what the limits allow to be laid."""
        tops = np.arange(0, len(grid), len(grid.bases))
        setups = grid.setups(tops)
        setups = setups[setups["ink_id"] == near["ink_id"]].assign(substrate_id=self.garments[0])
        films, _ = self.model.films_um(setups)
        here, _ = self.model.films_um(near.to_frame().T.assign(substrate_id=self.garments[0]))
        if here[0] > 0.95 * films.max():
            return [Reason(Why.MOST_INK, near["ink_id"], float(here[0]))]
        if here[0] < 1.05 * films.min():
            return [Reason(Why.LEAST_INK, near["ink_id"], float(here[0]))]
        return []


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
