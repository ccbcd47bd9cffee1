"""A strong lot never printed: cards of it, as four-flux light shows them, tell its colour."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00
from learn.normal import Z90, sd_of
from tests.small_demo import learnt
from tests.worlds import tables
from tests.worlds.cards import draw_cards
from tests.worlds.light import lab_of
from tests.worlds.shop import draw_shop

SEEDS, SIZE = (28, 29), 60  # of no part


def _without_and_with(seed: int) -> tuple[list[float], list[float]]:
    """Median dE00 to the true colour, and share in 90 % bands, of prints of a strong lot without
    and with a card of it."""
    drawn = draw_shop(seed, SIZE, "few", ask=60)
    shop, query = tables.read(drawn), drawn.queries["lot"]
    strong = np.unique(query.setups["lot"])
    at = shop.prints["print_id"].str[1:].astype(int).to_numpy() - 1
    others = ~np.isin(drawn.history["lot"].to_numpy()[at], strong)
    shop = replace(shop, prints=shop.prints[others].reset_index(drop=True))
    added = draw_cards(drawn, strong, np.random.default_rng(seed))
    drawdowns = pd.concat([shop.drawdowns, added], ignore_index=True)
    drawdowns["ink_lot"] = drawdowns["ink_lot"].astype(object)
    model = learnt(shop, restarts=0)
    setups, measured = tables.read_query(drawn, shop, query), lab_of(query.measured)
    off, held = [], []
    for known in (shop, replace(shop, drawdowns=drawdowns)):
        p = model.told_of(known).predict_lab(setups)
        off.append(float(np.median(delta_e00(p.mean, query.true_lab))))
        inside = np.abs(measured - p.mean) <= Z90 * sd_of(p.covariance)
        held.append(float(inside.mean()))
    return off, held


def test_a_card_of_a_strong_lot_brings_error_and_bands_back():
    off, held = np.mean([_without_and_with(seed) for seed in SEEDS], axis=0)
    assert off[1] < 0.6 * off[0]
    assert held[0] < 0.7 < 0.85 < held[1]
