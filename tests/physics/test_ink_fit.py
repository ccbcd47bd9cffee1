"""Inks of which only a film over white was measured, asked for over black."""

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import lab_from_reflectance, viewing
from learn.fit.encoding import Encoder
from learn.physics import kubelka_munk
from learn.physics.drawdowns import backs_of, card_reflectance, lab_columns
from learn.physics.shelf import POSTERIOR_DIRECTIONS, Shelf, are_coated, describe_shelf
from learn.shop import Shop
from tests.physics.test_drawdowns import CARD_R, NM, drawdown, made_up_ink, reading, shelf_of
from tests.published import coated_shop
from tests.worlds import tables
from tests.worlds.shop import draw_shop

D50 = viewing("D50", "2")
READING = 0.5  # Lab, one sd


def over(shelf: Shelf, ink: str, film_um: float, back: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lab (n, 3) of a film over backs (n, 31), and one sd of its reading as a forecast."""
    at, step = shelf.ink_ids.index(ink), 1e-4
    k, s, films = shelf.log_k[at], shelf.log_s[at], np.full(len(back), film_um)

    def lab(log_k: np.ndarray, log_s: np.ndarray) -> np.ndarray:
        r = card_reflectance(np.exp(log_k), np.exp(log_s), films, back)
        return lab_from_reflectance(r, D50)

    here = lab(k, s)
    ways = zip(shelf.directions_k[at], shelf.directions_s[at], strict=True)
    left_open = list(ways)[:POSTERIOR_DIRECTIONS]
    moved = [(lab(k + step * dk, s + step * ds) - here) / step for dk, ds in left_open]
    return here, np.sqrt(np.sum(np.square(moved), axis=0) + READING**2)


@pytest.mark.parametrize("S", [0.003, 0.01, 0.03, 0.1], ids=["dye", "clear", "half", "paint"])
def test_a_film_over_white_leaves_open_whether_it_hides(S):
    """A dye and a paint alike lie within the band over black."""
    black = kubelka_munk.beneath_surface(CARD_R[[1]])
    sds = []
    for seed in range(12):
        ink = made_up_ink(seed)[0], S * (NM / 550) ** -0.5
        card = drawdown("one", 20.0, "white", reading(ink, 20.0, "white"))
        lab, sd = over(shelf_of(["one"], [card], missed=0.02), "one", 20.0, black)
        sds.append((lab_from_reflectance(reading(ink, 20.0, "black"), D50) - lab) / sd)
    assert np.sqrt(np.mean(np.square(sds))) < 1
    assert np.abs(sds).max() < 2.5


def dark_cards_kept_back(shop: Shop, part: slice) -> np.ndarray:
    """Errors, in sds (n, 3), of the dark cards of a part of the inks, by their other cards."""
    substrate_r = Encoder.of(shop, D50).substrate_r
    cards = shop.drawdowns[np.isfinite(shop.drawdowns["film_um"])].reset_index(drop=True)
    coated = are_coated(shop.inks, cards, shop.substrates, substrate_r, D50)
    back, _ = backs_of(cards["substrate_id"], shop.substrates, substrate_r, coated)
    light, ink = back.mean(axis=1), cards["ink_id"].to_numpy()
    both = sorted(set(ink[light > 0.5]) & set(ink[light < 0.2]))
    asked = (light < 0.2) & np.isin(ink, both[part])
    shelf = describe_shelf(
        shop.inks, cards[~asked], shop.substrates, substrate_r, D50, coated_cards=coated
    )
    measured, found = lab_columns(cards, D50), []
    for row in np.flatnonzero(asked):
        lab, sd = over(shelf, ink[row], float(cards["film_um"][row]), back[[row]])
        found.append((measured[row] - lab[0]) / sd[0])
    return np.array(found)


def test_bands_of_inks_known_over_white_hold_among_invented_inks():
    """Two harsher shops (tests/worlds), a third of whose inks lose their dark cards in turn."""
    shops = [tables.read(draw_shop(9001, 60, kind)) for kind in ("plastisol", "water")]
    sds = [dark_cards_kept_back(shop, slice(k, None, 3)) for shop in shops for k in range(3)]
    assert (np.abs(np.concatenate(sds)) < 1.645).mean() > 0.8


def test_bands_of_real_inks_known_over_paper_reach_black():
    """Process inks of coated offset, known by Lab over paper alone (datasets/published): as clear
    as inks get, where most of a garment shop's hide."""
    trial = coated_shop(paper="coated")
    shop = trial.shop
    substrate_r = Encoder.of(shop, D50).substrate_r
    light = backs_of(shop.drawdowns["substrate_id"], shop.substrates, substrate_r)[0].mean(axis=1)
    cards = shop.drawdowns[light > 0.5]
    prints = pd.concat([shop.prints, trial.held_out])
    back, _ = backs_of(prints["substrate_id"], shop.substrates, substrate_r)
    dark = back.mean(axis=1) < 0.12
    for ink in ("C", "M", "Y"):
        alone = shop.inks[shop.inks["ink_id"] == ink]
        own = cards[cards["ink_id"] == ink]
        shelf = describe_shelf(alone, own, shop.substrates, substrate_r, D50)
        asked = dark & (prints["ink_id"] == ink).to_numpy()
        lab, sd = over(shelf, ink, float(own["film_um"].iloc[0]), back[asked])
        sds = (lab_columns(prints[asked], D50) - lab) / sd
        assert np.sqrt(np.mean(np.square(sds))) < 1.6
