"""Why a set-up helps, and what is in the way of a target, in the words of the press floor."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.looks import NOTICED, looks_beside
from learn.planning.candidates import Grid
from learn.predict.garments import on_garments
from learn.shop import UNDERBASE

if TYPE_CHECKING:
    from learn.planning.search import Scored
    from learn.predict.protocol import PrintModel

Array = NDArray[np.float64]

# What counts as more or less ink, and as another ground; common practice, no source.
FILM_SHARE, GROUND_L = 0.12, 4.0


def miss_in_words(lab: ArrayLike, target: ArrayLike) -> str:
    """How ``lab`` (3,) looks beside ``target`` (3,).

    Examples
    --------
    >>> miss_in_words([45, 60, 30], [45, 60.2, 30])
    'about right'
    """
    return ", ".join(looks_beside(lab, target)) or "about right"


class Reasons:
    """Words about plans for one target."""

    def __init__(
        self, model: PrintModel, target: Array, tolerance: float, garments: list[str]
    ) -> None:
        self.model, self.target, self.tolerance, self.garments = model, target, tolerance, garments
        inks = model.encoder_.inks
        self.names = inks["ink_name"].dropna().to_dict() if "ink_name" in inks else {}
        self.bucket = pd.DataFrame(model.buckets(list(inks.index))[0], index=inks.index)

    def named(self, ink: str) -> str:
        """Id and name of an ink."""
        return f"{ink} {self.names[ink]}" if ink in self.names else str(ink)

    def told(self, lines: pd.DataFrame, colours: pd.DataFrame) -> pd.DataFrame:
        """``lines`` with ``changes``, ``n_changes`` and ``why``; the first is the usual one, whose
        ``why`` tells how far it misses."""
        films, _ = self.model.films_um(lines.assign(substrate_id=self.garments[0]))
        ground = self._ground(lines)
        records = lines.to_dict("records")
        usual = records[0]
        missed = colours[colours["line"] == 0].nlargest(1, "dE00").iloc[0]
        looks = miss_in_words(missed[["L", "a", "b"]], self.target)
        before = f"{missed['dE00']:.1f} dE00 off on {missed['substrate_id']}: {looks}"
        changes = [self._changes(line, usual) for line in records]
        reasons = []
        for i, line in enumerate(records):
            parts = self._film(films[i], films[0]) + self._base(line, usual, ground[i], ground[0])
            parts += self._ink(line, usual)
            reasons.append("; ".join(parts) if i else before)
        return lines.assign(
            changes=["; ".join(c) or "nothing: the usual set-up" for c in changes],
            n_changes=[len(c) for c in changes],
            why=reasons,
        )

    def _ground(self, lines: pd.DataFrame) -> Array:
        """Lightness of what the ink lies on, mean over the garments, (n,)."""
        based = np.array([[g in on for g in self.garments] for on in lines["base_on"]])
        lab = self.model.grounds(on_garments(lines, self.garments, based))
        return lab[:, 0].reshape(based.shape).mean(axis=1)

    def _changes(self, line: dict, usual: dict) -> list[str]:
        found = []
        if line["ink_id"] != usual["ink_id"]:
            found.append(f"ink {self.named(line['ink_id'])} instead of {usual['ink_id']}")
        if line["mesh_id"] != usual["mesh_id"]:
            found.append(f"mesh {line['mesh_id']} instead of {usual['mesh_id']}")
        strokes = [(one["strokes"], one["flash_count"]) for one in (line, usual)]
        if strokes[0] != strokes[1]:
            found.append(f"{strokes_in_words(*strokes[0])} instead of {strokes[1][0]:g}")
        mine, theirs = self.base(line), self.base(usual)
        if mine != theirs:
            found.append(f"{mine} instead of {theirs}" if theirs != "no base" else mine)
        if line["press_id"] != usual["press_id"] and usual["press_id"] is not None:
            found.append(f"press {line['press_id']} instead of {usual['press_id']}")
        return found

    def base(self, line: dict) -> str:
        """The base of a line: what, through which mesh, how often, on which garments."""
        if not line["base_on"]:
            return "no base"
        ink, mesh, strokes = (line[c] for c in UNDERBASE)
        strokes = 1 if pd.isna(strokes) else strokes
        what = f"base {self.named(ink)} through {mesh}, {strokes_in_words(strokes, 0)}"
        if len(line["base_on"]) < len(self.garments):
            what += f", only on {', '.join(line['base_on'])}"
        return what

    @staticmethod
    def _film(film: float, usual: float) -> list[str]:
        if film > (1 + FILM_SHARE) * usual:
            return [f"{film:.0f} um of ink, not {usual:.0f}: less of what lies beneath shows"]
        if film < usual / (1 + FILM_SHARE):
            return [f"{film:.0f} um of ink, not {usual:.0f}: more of what lies beneath shows"]
        return []

    def _base(self, line: dict, usual: dict, ground: float, usually: float) -> list[str]:
        parts = []
        everywhere = len(line["base_on"]) == len(self.garments) > 1
        evened = usual["spread_dE00"] - line["spread_dE00"]
        if everywhere and not usual["base_on"] and evened > NOTICED:
            parts.append("the base gives the ink one ground on every garment")
        if not line["base_on"] and usual["base_on"]:
            parts.append("no base to print, flash and register")
        if abs(ground - usually) > GROUND_L:
            how = "lighter" if ground > usually else "darker"
            parts.append(f"a {how} ground under the ink (L {ground:.0f}, not {usually:.0f})")
        return parts

    def _ink(self, line: dict, usual: dict) -> list[str]:
        if line["ink_id"] == usual["ink_id"]:
            return []
        bucket = self.bucket.loc[line["ink_id"]].to_numpy()
        words = f"{line['ink_id']} is {miss_in_words(bucket, self.target)} in the bucket"
        return [f"{words}, but lands in print" if line["worst_dE00"] <= self.tolerance else words]

    def in_the_way(
        self, lines: pd.DataFrame, colours: pd.DataFrame, found: Scored, grid: Grid
    ) -> list[str]:
        """Why no line lands, the main thing first; empty where one does."""
        worst = lines["worst_dE00"]
        if worst.min() <= self.tolerance:
            return []
        near = lines.loc[worst.idxmin()]
        colour = colours[colours["line"] == worst.idxmin()].nlargest(1, "dE00").iloc[0]
        told = [
            f"the nearest is {worst.min():.1f} dE00 off on {near['worst_garment']}, "
            f"{miss_in_words(colour[['L', 'a', 'b']], self.target)} (tolerance {self.tolerance:g})"
        ]
        apart = found.dE.min(axis=0)
        if (apart <= self.tolerance).all():
            told.append("each garment can be reached by itself, but not all with one set-up")
        elif len(apart) > 1:
            alone = [
                f"{g} {d:.1f}"
                for g, d in zip(self.garments, apart, strict=True)
                if d > self.tolerance
            ]
            told.append(f"even by itself no set-up reaches: {', '.join(alone)}")
        bucket = self.bucket.loc[grid.inks].to_numpy()
        off = delta_e00(bucket, self.target)
        if off.min() > self.tolerance:
            ink = grid.inks[int(off.argmin())]
            told.append(
                f"no ink allowed has this colour in the bucket (nearest: {self.named(ink)}, "
                f"{off.min():.1f} dE00, {miss_in_words(bucket[off.argmin()], self.target)}); "
                "a mix may reach it: strikeoff mix"
            )
        return told + self._edge(near, grid)

    def _edge(self, near: pd.Series, grid: Grid) -> list[str]:
        """Whether the nearest line stands at an end of what the limits allow to be laid."""
        tops = np.arange(0, len(grid), len(grid.bases))
        setups = grid.setups(tops)
        setups = setups[setups["ink_id"] == near["ink_id"]].assign(substrate_id=self.garments[0])
        films, _ = self.model.films_um(setups)
        here, _ = self.model.films_um(near.to_frame().T.assign(substrate_id=self.garments[0]))
        ink = self.named(near["ink_id"])
        if here[0] > 0.95 * films.max():
            return [
                f"the nearest already lays the most ink allowed ({here[0]:.0f} um): {ink} is too "
                "translucent for these meshes and strokes"
            ]
        if here[0] < 1.05 * films.min():
            return [
                f"the nearest already lays the least ink possible ({here[0]:.0f} um): {ink} is "
                "too strong even through the finest mesh allowed"
            ]
        return []


def strokes_in_words(strokes: float, flashes: float) -> str:
    """Strokes and flashes as the press floor says them.

    Examples
    --------
    >>> strokes_in_words(2, 1)
    'print-flash-print'
    >>> strokes_in_words(2, 0), strokes_in_words(3, 1)
    ('2 strokes', '3 strokes with 1 flash between')
    """
    if strokes == 2 and flashes == 1:
        return "print-flash-print"
    words = f"{strokes:g} stroke{'' if strokes == 1 else 's'}"
    if flashes and not pd.isna(flashes):
        words += f" with {flashes:g} flash{'' if flashes == 1 else 'es'} between"
    return words
