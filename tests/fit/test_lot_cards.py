"""Cards of a lot: what they say of it, and of nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import WAVELENGTHS_NM, lab_from_reflectance, viewing
from learn.errors import Unusable
from learn.fit.fingerprints import changes, marks_of
from learn.fit.lot_cards import LATENTS, describing, lot_cards
from learn.normal import sd_of
from learn.physics import kubelka_munk
from learn.physics.drawdowns import DRAWDOWN_HAZE, SPECTRUM, body_of, card_reflectance
from learn.physics.shelf import describe_shelf
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
    encoder = model.encoder_
    shown = with_card(shop, STRONGER)
    [card] = lot_cards(shown, model.shelf_, encoder.substrate_r, model.viewing_)
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


@pytest.mark.parametrize(("spectral", "most"), [(True, 0.005), (False, 0.04)])
def test_what_theory_misses_of_a_film_is_no_news_of_its_lot(spectral, most):
    """A bucket a third brighter than two fluxes have it bends the fit away from the films: a card
    of a lot that reads as the ink's own does still says that it is no other lot. Held against the
    fit alone, it was said to be 20 % stronger (by Lab 6 %)."""
    nm, view = WAVELENGTHS_NM, viewing("D50", 2)
    K, S = 0.02 * np.exp(1.5 * np.cos(nm / 40)), np.full(len(nm), 0.02)
    paper = np.repeat([[0.9], [0.04]], len(nm), axis=1)
    substrates = pd.DataFrame({"substrate_id": ["W", "B"], "kind": "card", "fibre": "paper"})
    own = pd.DataFrame(
        {"ink_id": "A", "substrate_id": ["W", "B", "W"], "film_um": [40, 40, np.inf]}
    )
    r = card_reflectance(K, S, own["film_um"].to_numpy(), body_of(substrates, paper)[[0, 1, 0]])
    r[2] *= 1.3
    read = pd.DataFrame(r, columns=SPECTRUM)
    if not spectral:
        read = pd.DataFrame(lab_from_reflectance(r, view), columns=["L", "a", "b"])
    own = pd.concat([own, read], axis=1).assign(ink_lot=None)
    inks = pd.DataFrame({"ink_id": ["A"], "role": ["colour"]})
    shelf = describe_shelf(inks, own, substrates, paper, view)
    both = pd.concat([own, own[:2].assign(ink_lot=LOT)], ignore_index=True)
    shop = replace(tiny_shop(), inks=inks, drawdowns=both, substrates=substrates)
    [card] = lot_cards(shop, shelf, paper, view)
    usual = np.eye(len(LATENTS)) / 0.05**2
    assert np.abs(np.linalg.solve(card.information + usual, card.told)).max() < most


@pytest.mark.parametrize("strength", [-0.2, STRONGER])
def test_what_a_card_says_stays_when_other_prints_are_learnt(strength):
    """Each batch looks anew at how strange lots are: one without a print is as its card says."""
    whole = with_card(tiny_shop(), strength)
    last = whole.prints["printed_on"].rank(method="first") > len(whole.prints) - 3
    before = replace(whole, prints=whole.prints[~last].reset_index(drop=True))
    model = ShiftModel(max_iterations=2).fit(replace(before, drawdowns=tiny_shop().drawdowns))
    told = model.told_of(whole)
    one = told.predict_lab(prints_of(LOT))
    for shop in (before, whole):
        later = model.told_of(whole).append(replace(shop, drawdowns=whole.drawdowns))
        two = later.predict_lab(prints_of(LOT))
        assert np.abs(two.mean - one.mean).max() < (1e-6 if shop is before else 2.0)
        assert abs(later.carded()[0].percent - told.carded()[0].percent) < 2


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


def test_what_is_learnt_with_a_card_is_what_a_model_told_of_it_says():
    shop = with_card(tiny_shop(), STRONGER)
    settings = {"max_iterations": 2, "restarts": 0}
    fitted = ShiftModel(**settings).fit(shop)
    told = ShiftModel(**settings).fit(tiny_shop()).told_of(shop)
    assert fitted.validation_["coverage90"] == pytest.approx(
        told.validation_["coverage90"], abs=0.02
    )
    p, q = fitted.predict_lab(prints_of(LOT)), told.predict_lab(prints_of(LOT))
    np.testing.assert_allclose(p.mean, q.mean, atol=0.1)
    np.testing.assert_allclose(sd_of(p.covariance), sd_of(q.covariance), rtol=0.05)
    twice = ShiftModel.from_state(*fitted.to_state()).recall(shop)
    np.testing.assert_allclose(twice.predict_lab(prints_of(LOT)).mean, p.mean, atol=0.05)


def test_naming_the_lot_of_the_first_cards_tells_more():
    shop, model = tiny_shop(), tiny_model()
    own = shop.drawdowns["ink_id"] == INK
    lot = shop.prints.loc[shop.prints["ink_id"] == INK, "ink_lot"].dropna().iloc[0]
    named = replace(shop, drawdowns=shop.drawdowns.assign(ink_lot=np.where(own, lot, None)))
    by_name = model.told_of(with_card(named, STRONGER)).predict_lab(prints_of(LOT))
    unnamed = model.told_of(with_card(shop, STRONGER)).predict_lab(prints_of(LOT))
    assert sd_of(by_name.covariance).mean() < sd_of(unnamed.covariance).mean()
