"""Whether cards are coated, by inks made up here and by real prints on papers known to be or not.

That paper which is not coated has no surface that an ink would replace: common practice, no source.
"""

import itertools

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import viewing
from learn.fit.encoding import Encoder
from learn.physics import drawdowns, shelf
from learn.physics.drawdowns import card_reflectance
from learn.predict.model import ShiftModel
from learn.shop import Shop
from tests.physics.test_drawdowns import CARD_R, CARDS, D50, drawdown, made_up_ink
from tests.published import coated_shop, proof_shop
from tests.worlds import tables
from tests.worlds.shop import draw_shop


def cards_of(coated: bool, as_lab: bool, n: int = 10) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Inks, and two films of each over white and black cards with a surface or without one."""
    body = drawdowns.body_of(CARDS, CARD_R, coated)[:2]
    rows, rng = [], np.random.default_rng(3)
    for i, film_um in itertools.product(range(n), (12.0, 40.0)):
        r = card_reflectance(*made_up_ink(i), np.full(2, film_um), body)
        r *= 1 + 0.005 * rng.standard_normal(r.shape)
        rows += [
            drawdown(f"I{i}", film_um, card, read, as_lab)
            for card, read in zip(("white", "black"), r, strict=True)
        ]
    inks = pd.DataFrame({"ink_id": [f"I{i}" for i in range(n)], "role": "colour"})
    return inks, pd.DataFrame(rows)


@pytest.mark.parametrize("as_lab", [False, True], ids=["spectra", "Lab"])
def test_inks_over_white_and_black_tell_coated_cards_from_matt_ones(as_lab):
    for coated in (True, False):
        inks, cards = cards_of(coated, as_lab)
        assert shelf.are_coated(inks, cards, CARDS, CARD_R, D50) is coated
    few = inks.iloc[:3], cards[cards["ink_id"].isin(inks["ink_id"][:3])]
    assert shelf.are_coated(*few, CARDS, CARD_R, D50)  # three inks may say so by chance
    assert shelf.are_coated(inks, cards[cards["substrate_id"] == "white"], CARDS, CARD_R, D50)
    assert shelf.are_coated(inks, cards.iloc[:0], CARDS, CARD_R, D50)


def of_shop(shop: Shop) -> bool:
    view = viewing(shop.settings.illuminant, shop.settings.observer)
    r = Encoder.of(shop, view).substrate_r
    return shelf.are_coated(shop.inks, shop.drawdowns, shop.substrates, r, view)


def test_real_paper_is_known_for_what_it_is(monkeypatch):
    """Cyan, magenta and yellow on paper and on solid black (datasets/published/README.md): offset
    on coated and on uncoated paper, by Lab; a press proof, by spectra."""
    monkeypatch.setattr(shelf, "LEAST_ASKED", 3)
    assert of_shop(coated_shop(paper="coated", held_out_share=0).shop)
    assert not of_shop(coated_shop(paper="uncoated", held_out_share=0).shop)
    assert of_shop(proof_shop(held_out_share=0).shop)


def test_a_shop_with_matt_cards_is_learnt_as_such():
    """Of the second family, whose cards are matt: what an ink has behind it, also once stored."""
    drawn = draw_shop(5301, 60, "water")
    shop = tables.read(drawn)
    model = ShiftModel(max_iterations=0, restarts=0).fit(shop)
    assert not model.encoder_.coated_cards
    there = ShiftModel.from_state(*model.to_state())
    assert not there.encoder_.coated_cards
    card = there.encoder_.substrates["kind"].eq("card").to_numpy()
    on_card = shop.prints.head(1).assign(substrate_id=there.encoder_.substrates.index[card][0])
    behind = there.encoder_.layers(on_card, there.shelf_.ink_ids).cloth[0]
    np.testing.assert_allclose(behind, there.encoder_.substrate_r[card][0])
