"""Drawdowns of lots that were never printed, as four-flux light shows them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from tests.worlds.shop import FILM_OFF, Drawn
from tests.worlds.tables import drawdown_columns


def draw_cards(drawn: Drawn, lots: Sequence[int], rng: np.random.Generator) -> pd.DataFrame:
    """One draw of each of ``lots``, positions in the world's, over the cards and at the first film
    of the ink's own: rows of drawdowns.csv, numbers as numbers. A draw is off what was meant by
    as much as the ink's own were."""
    world = drawn.world
    own = drawn.drawdowns[np.isfinite(drawn.drawdowns["film_um"])]
    first = own[own["film_um"] == own.groupby("ink")["film_um"].transform("first")]
    asked = pd.DataFrame({"lot": lots, "ink": world.lots.ink[list(lots)]})
    cards = asked.merge(first, on="ink").assign(base=-1)
    draw = pd.factorize(cards["lot"])[0]
    off = np.exp(rng.normal(0, FILM_OFF, len(cards)))[draw]
    film = cards["film_um"].to_numpy() * off
    r = world.read(rng, world.of_films(cards, film, 0 * film), np.full(len(film), 3.0))
    rows = drawdown_columns(drawn, cards, r)
    number = world.lots.number[cards["lot"]]
    lot = [f"{ink}-{n:02d}" for ink, n in zip(rows["ink_id"], number, strict=True)]
    return rows.assign(film_um=cards["film_um"], ink_lot=lot)
