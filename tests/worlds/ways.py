"""What truly moves a print: from its bucket, or from a print of the same ink, step by step.

The steps are those of `learn.predict.shares` and go by its names; each is taken in the world's own
light, by laws that are switched on one by one. A shop's usual film, press and lots are those of
its history. What past prints have taught beyond the steps is nothing here but what the card of a
bucket shows of the lot it was drawn from.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.predict.shares import MOVERS, STEPS, Mover, shapley
from tests.worlds.light import lab_of
from tests.worlds.shop import Drawn
from tests.worlds.world import USUAL, World

Array = NDArray[np.floating]

THICK_UM = 5000.0
# What is different between two prints, and the columns of a set-up that tell it.
PLACES = {
    "cloth": ("cloth",),
    "base": ("base", "base_mesh", "base_strokes"),
    "film": ("mesh", "strokes", "flashes", "eom"),
    "lot": ("lot",),
    "press": ("press", "day", "shore", "angle", "gap"),
}


class Ways:
    """The true ways of one drawn shop."""

    def __init__(self, drawn: Drawn) -> None:
        self.world, self.history = drawn.world, drawn.history

    def of(self, setups: pd.DataFrame) -> Array:
        """Noise-free Lab (n, 3)."""
        return lab_of(self.world.reflectance(setups))

    def buckets(self, ink: NDArray[np.intp]) -> Array:
        """Lab (n, 3) of inks as the cards of their buckets show them: of their first lot."""
        first = self.world.lots.on(ink, np.zeros(len(ink)))
        return self._on_itself(pd.DataFrame({"ink": ink, "lot": first, "base": -1}))

    def hidden(self, setups: pd.DataFrame) -> Array:
        """Lab (n, 3) of the same prints through films that hide whatever lies beneath."""
        top, base = self.world.films_um(setups)
        return lab_of(self.world.of_films(setups, np.full_like(top, THICK_UM), base))

    def from_buckets(self, setups: pd.DataFrame) -> Array:
        """What each of `MOVERS` changes of n prints, (n, m, 3); sums to print minus bucket."""
        top, base = self.world.films_um(setups)
        usual = setups.assign(mesh=self.middle_mesh, strokes=1, flashes=0, eom=self.usual_eom)
        own, plain = self._at_usual_press(setups), self._at_usual_press(usual)
        base_film = base * np.exp(self.base_level - self._level(setups))
        based = setups["base"].to_numpy() >= 0
        usual_lot = setups.assign(lot=self._usual_lots(setups["ink"].to_numpy()))
        before = np.where(own >= plain, own, plain)  # the film comes first where no thinner
        still = {"migration": 0.0}
        dry = {**still, "uptake_um": 0.0, "uptake_water_um": 0.0}
        itself = self._on_itself(setups)
        upon_base = self._lab(setups, before, np.full(len(top), THICK_UM), dry)
        states = {
            Mover.LOT: itself,
            Mover.BASE: np.where(based[:, None], upon_base, itself),
            Mover.CLOTH: self._lab(setups, before, base_film, still),
            Mover.FILM: self._lab(setups, own, base_film, still),
            Mover.MIGRATION: self._lab(setups, own, base_film, {}),
            Mover.PRESS: self._lab(setups, top, base, {}),
        }
        here = self._on_itself(usual_lot)
        found = np.zeros((len(setups), len(MOVERS), 3))
        found[:, MOVERS.index(Mover.LEARNT)] = here - self.buckets(setups["ink"].to_numpy())
        for mover in STEPS:
            if mover in states:
                found[:, MOVERS.index(mover)] = states[mover] - here
                here = states[mover]
        return found

    def apart(self, setups: pd.DataFrame, beside: pd.DataFrame) -> Array:
        """What each of `PLACES` changes from prints ``beside`` to others, (n, 5, 3): shares over
        all orders."""
        names = list(PLACES)
        states = []
        for on in product((False, True), repeat=len(names)):
            here = [c for name, there in zip(names, on, strict=True) if there for c in PLACES[name]]
            states.append(self.of(beside.assign(**{c: setups[c].to_numpy() for c in here})))
        values = np.array(states).reshape(*(2,) * len(names), -1)
        return shapley(values).reshape(len(names), -1, 3).transpose(1, 0, 2)

    # -- what is usual here --------------------------------------------------------------

    @cached_property
    def middle_mesh(self) -> int:
        """The middle mesh by what its sheet says it holds, the finer of two."""
        frame = self.world.meshes.frame
        opening = 10_000 / frame["threads_per_cm"] - frame["thread_um"]
        sheet = frame["thread_um"] * (opening * frame["threads_per_cm"] / 10_000) ** 2
        return int(np.argsort(sheet.to_numpy())[(len(sheet) - 1) // 2])

    @cached_property
    def usual_eom(self) -> float:
        return float(self.history["eom"].median())

    @cached_property
    def press_level(self) -> float:
        """Log film by which presses and their settings differ from the world's own zero."""
        film, _ = self.world.films_um(self.history)
        return float(np.mean(np.log(film / self._at_zero(self.history))))

    @cached_property
    def base_level(self) -> float:
        """The same of bases, which feel the press alone."""
        based = self.history[self.history["base"] >= 0]
        return float(self._level(based).mean()) if len(based) else 0.0

    def _level(self, setups: pd.DataFrame) -> Array:
        return self.world.presses.on(setups["press"].to_numpy(), setups["day"].to_numpy())

    def _at_zero(self, setups: pd.DataFrame) -> Array:
        settings = {c: v for c, v in USUAL.items() if c != "eom"}
        film, _ = self.world.films_um(setups.assign(**settings))
        return film / np.exp(self._level(setups))

    def _at_usual_press(self, setups: pd.DataFrame) -> Array:
        return self._at_zero(setups) * np.exp(self.press_level)

    def _usual_lots(self, ink: NDArray[np.intp]) -> NDArray[np.intp]:
        """Of each ink (n,) the lot nearest to the middle of its prints."""
        strength, out = self.world.lots.strength, np.empty(len(ink), int)
        for i in np.unique(ink):
            printed = self.history.loc[self.history["ink"] == i, "lot"].to_numpy()
            lots = np.flatnonzero(self.world.lots.ink == i)
            middle = np.median(strength[printed]) if len(printed) else 0.0
            out[ink == i] = lots[np.argmin(np.abs(strength[lots] - middle))]
        return out

    # -- states --------------------------------------------------------------------------

    def _on_itself(self, setups: pd.DataFrame) -> Array:
        card = np.full(len(setups), np.flatnonzero(self.world.cloths.cards)[0])
        film = np.full(len(setups), THICK_UM)
        alone = setups.assign(cloth=card, base=-1)
        return lab_of(self.world.of_films(alone, film, 0 * film))

    def _lab(self, setups: pd.DataFrame, top: Array, base: Array, laws: dict[str, float]) -> Array:
        changed: World = replace(self.world, laws=replace(self.world.laws, **laws))
        return lab_of(changed.of_films(setups, top, base))
