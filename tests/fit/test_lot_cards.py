"""Cards of a lot: what they say of it, and of nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from learn.errors import Unusable
from learn.fit.fingerprints import changes, marks_of
from learn.fit.lot_cards import LATENTS, describing
from learn.normal import sd_of
from learn.physics import kubelka_munk
from learn.physics.drawdowns import DRAWDOWN_HAZE, SPECTRUM, body_of
from learn.predict.model import ShiftModel
from learn.shop import Shop
from tests.small_demo import tiny_model, tiny_shop

INK, LOT, STRONGER = "C19", "X9", 0.22  # log K


def with_card(shop: Shop, strength: float, lot: str | None = LOT) -> Shop:
    """The shop with a white and a black card of a lot, as two-flux theory has its ink so much
    stronger."""
    model = tiny_model()
    shelf, encoder = model.shelf_, model.encoder_
    at = shelf.ink_ids.index(INK)
    K, S = np.exp(shelf.log_k[at] + strength), np.exp(shelf.log_s[at])
    own = shop.drawdowns[shop.drawdowns["ink_id"] == INK]
    cards = own[np.isfinite(own["film_um"])].drop_duplicates("substrate_id").reset_index(drop=True)
    where = encoder.substrates.index.get_indexer(cards["substrate_id"])
    back = body_of(encoder.substrates, encoder.substrate_r)[where]
    film = cards[["film_um"]].to_numpy(float)
    r = kubelka_munk.through_surface(kubelka_munk.reflectance_over(K, S, film, back))
    cards[SPECTRUM] = r + DRAWDOWN_HAZE
    cards["ink_lot"] = lot
    return replace(shop, drawdowns=pd.concat([shop.drawdowns, cards], ignore_index=True))


def prints_of(lot: str) -> pd.DataFrame:
    prints = tiny_shop().prints
    return prints[prints["ink_id"] == INK].assign(ink_lot=lot).reset_index(drop=True)


def test_cards_of_a_lot_do_not_describe_the_ink():
    cards = pd.DataFrame(
        {"ink_id": [*"AABBB"], "ink_lot": [None, "2", "1", "2", "1"]}, dtype=object
    )
    assert describing(cards).tolist() == [True, False, True, False, True]
    shop = tiny_shop()
    told = marks_of(with_card(shop, 0.0))
    assert changes(marks_of(shop), told) == []  # a new card is nothing that was learnt from
    assert changes(told, marks_of(with_card(shop, 0.1))) == [f"cards of ink {INK}, lot {LOT}"]


def test_a_card_tells_its_lot_alone_and_narrows_it():
    shop, model = tiny_shop(), tiny_model()
    told = model.told_of(with_card(shop, STRONGER))
    [card] = told.cards_
    found = np.linalg.solve(card.information, card.told)
    assert LATENTS[0] == "strength"
    assert abs(found[0] - STRONGER) < 0.03
    new, carded = prints_of("unknown"), prints_of(LOT)
    before, after = model.predict_lab(new), told.predict_lab(carded)
    assert np.abs(after.mean - before.mean).max() > 1, "it is another colour"
    same, was = told.predict_lab(shop.prints), model.predict_lab(shop.prints)
    np.testing.assert_allclose(same.mean, was.mean, atol=1e-9)
    [said] = told.carded()
    assert (said.ink, said.lot, said.beside) == (INK, LOT, None)
    assert 0 < said.percent <= 100 * np.expm1(STRONGER) + 2
    alike = model.told_of(with_card(shop, 0.0))
    assert abs(alike.carded()[0].percent) < 1
    narrow = alike.predict_lab(carded)
    assert sd_of(narrow.covariance).mean() < 0.97 * sd_of(before.covariance).mean()


def test_a_card_is_taken_in_once_and_kept():
    shop = with_card(tiny_shop(), STRONGER)
    told = tiny_model().told_of(shop)
    twice = ShiftModel.from_state(*told.to_state()).told_of(shop)
    assert len(twice.cards_) == 1
    p, q = told.predict_lab(prints_of(LOT)), twice.predict_lab(prints_of(LOT))
    np.testing.assert_array_equal(p.mean, q.mean)
    np.testing.assert_array_equal(p.covariance, q.covariance)
    again = told.recall(shop).predict_lab(prints_of(LOT))
    np.testing.assert_allclose(again.mean, p.mean, atol=0.05)
    with pytest.raises(Unusable):
        told.predict_lab(prints_of(LOT).assign(ink_id="nothing"))


def test_naming_the_lot_of_the_first_cards_tells_more():
    shop, model = tiny_shop(), tiny_model()
    own = shop.drawdowns["ink_id"] == INK
    lot = shop.prints.loc[shop.prints["ink_id"] == INK, "ink_lot"].dropna().iloc[0]
    named = replace(shop, drawdowns=shop.drawdowns.assign(ink_lot=np.where(own, lot, None)))
    by_name = model.told_of(with_card(named, STRONGER)).predict_lab(prints_of(LOT))
    unnamed = model.told_of(with_card(shop, STRONGER)).predict_lab(prints_of(LOT))
    assert sd_of(by_name.covariance).mean() < sd_of(unnamed.covariance).mean()
