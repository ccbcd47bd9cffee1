"""A strong lot never printed: cards of it, as four-flux light shows them, tell its colour."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00
from learn.normal import Z90, sd_of
from learn.predict.model import ShiftModel
from tests.worlds import tables
from tests.worlds.light import lab_of
from tests.worlds.shop import draw_shop

SEED, SIZE = 28, 60  # of no part


def test_a_card_of_a_strong_lot_brings_error_and_bands_back():
    drawn = draw_shop(SEED, SIZE, "few", ask=60)
    world, shop, query = drawn.world, tables.read(drawn), drawn.queries["lot"]
    strong = np.unique(query.setups["lot"])
    at = shop.prints["print_id"].str[1:].astype(int).to_numpy() - 1
    others = ~np.isin(drawn.history["lot"].to_numpy()[at], strong)
    shop = replace(shop, prints=shop.prints[others].reset_index(drop=True))
    own = drawn.drawdowns[np.isfinite(drawn.drawdowns["film_um"])].groupby("ink")["film_um"].first()
    cloth, lot = np.flatnonzero(world.cloths.cards), np.repeat(strong, world.cloths.cards.sum())
    cards = pd.DataFrame({"ink": world.lots.ink[lot], "lot": lot, "base": -1})
    cards["cloth"] = np.tile(cloth, len(strong))
    film = own.loc[cards["ink"]].to_numpy()
    lab = lab_of(world.of_films(cards, film, 0 * film))
    ids = world.inks.frame["ink_id"].to_numpy()[cards["ink"]]
    numbers = world.lots.number[lot]
    added = pd.DataFrame(
        {
            "ink_id": ids,
            "substrate_id": world.cloths.frame["substrate_id"].to_numpy()[cards["cloth"]],
            "film_um": film,
            "ink_lot": [f"{ink}-{n:02d}" for ink, n in zip(ids, numbers, strict=True)],
            **dict(zip("Lab", lab.T, strict=True)),
        }
    )
    drawdowns = pd.concat([shop.drawdowns, added], ignore_index=True)
    drawdowns["ink_lot"] = drawdowns["ink_lot"].astype(object)
    model = ShiftModel(max_iterations=6, restarts=0).fit(shop)
    setups, measured = tables.read_query(drawn, shop, query), lab_of(query.measured)
    off, held = [], []
    for known in (shop, replace(shop, drawdowns=drawdowns)):
        p = model.told_of(known).predict_lab(setups)
        off.append(np.median(delta_e00(p.mean, query.true_lab)))
        held.append((np.abs(measured - p.mean) <= Z90 * sd_of(p.covariance)).mean())
    assert off[1] < 0.6 * off[0]
    assert held[0] < 0.7 < 0.85 < held[1]
