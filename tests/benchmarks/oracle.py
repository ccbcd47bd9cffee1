"""What someone would answer who knew the true colour of every set-up and the press's noise.

Nobody can know more before printing: what such an oracle would not wave through is too uneven,
not too uncertain. The scatter is that of the generator, through its own optics: film errors of
job and print, roughness, and the reading.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.demo.colour_of import lab_of
from datasets.demo.history import SETTINGS
from datasets.demo.world import (
    FIRST_DAY,
    JOB_FILM_SD,
    PRINT_FILM_SD,
    PRINT_HAZE_SD,
    World,
)
from learn.colour.difference import difference
from learn.predict.verdict import ask_for_test
from learn.shop import ShopSettings

Array = NDArray[np.floating]

STEP = 0.01  # log film
READING_SD = 0.115  # of L, a, b in one reading: datasets.demo.world.read_lab


def waves_through(
    world: World, setups: pd.DataFrame, true: Array, settings: ShopSettings
) -> NDArray[np.bool_]:
    """Which set-ups (n,) need no test print when their true Lab (n, 3) is known."""
    tolerance = np.full(len(true), settings.tolerance_dE00)
    chance = difference(true, press_noise(world, setups), true, tolerance, steady=True).p_within
    return ~ask_for_test(chance, settings)


def press_noise(world: World, setups: pd.DataFrame) -> Array:
    """Covariance (n, 3, 3) of the measured Lab of the next print about its noise-free colour."""
    complete = _filled(world, setups)
    spectra = world.reflectance(complete)
    true = lab_of(spectra)
    film_sd = np.hypot(JOB_FILM_SD, PRINT_FILM_SD)
    ways = [
        film_sd * (lab_of(world.reflectance(complete, STEP, 0.0)) - true) / STEP,
        film_sd * (lab_of(world.reflectance(complete, 0.0, STEP)) - true) / STEP,
        lab_of(spectra + PRINT_HAZE_SD) - true,
    ]
    scatter = sum(way[:, :, None] * way[:, None, :] for way in ways)
    reading = READING_SD**2 / complete["readings"].to_numpy(float)
    return scatter + reading[:, None, None] * np.eye(3)


def _filled(world: World, setups: pd.DataFrame) -> pd.DataFrame:
    """Set-ups with empty cells at what is usual, and the batch of ink on the press.

    The generator hides what stood in an empty cell; the scatter hardly hangs on it.
    """
    usual = {name: value for name, (value, _, _) in SETTINGS.items()}
    usual |= {"press_id": world.recipe.presses[0], "readings": 1.0, "underbase_strokes": 1.0}
    filled = setups.reset_index(drop=True).copy()
    for column, value in usual.items():
        filled[column] = filled[column].where(filled[column].notna(), value)
    day = (pd.to_datetime(filled["printed_on"]) - FIRST_DAY).dt.days.fillna(0).to_numpy()
    own_lots = zip(filled["ink_id"], day, strict=True)
    lot = [int(world.inks[ink].lot_on(np.array([on]))[0]) for ink, on in own_lots]
    return filled.assign(day=day, lot_index=lot)
