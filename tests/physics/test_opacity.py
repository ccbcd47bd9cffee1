"""Contrast ratios against a computed table, the limits of any film, and a general library."""

import colour
import numpy as np
import pytest

from learn.colour.colorimetry import WAVELENGTHS_NM, viewing, xyz_from_reflectance
from learn.physics import kubelka_munk
from learn.physics.drawdowns import DRAWDOWN_HAZE, SPECTRUM
from learn.physics.opacity import WHITE_CARD, show_through
from tests.published import table
from tests.small_demo import small_model, small_shop

D50 = viewing("D50", "2")


def flat(values: list[float]) -> np.ndarray:
    return np.repeat(np.asarray(values, float)[:, None], 31, axis=1)


def test_film_that_hides():
    """hiding_cr098: films of contrast ratio 0.98 over a black of 0 and a white of 0.80 beneath the
    surface; Saunderson 1942 takes both through it."""
    rows = table("hiding_cr098")
    S = rows["SX_for_contrast_ratio_0.98"].to_numpy()
    white = kubelka_munk.through_surface(0.80)
    left = show_through(flat(rows["KX"]), flat(S), np.ones(len(S)), D50, white=white)
    over = [kubelka_munk.through_surface(rows[c]) for c in ("R0_black", "R_over_Rw_0.80")]
    np.testing.assert_allclose(1 - left, over[0] / over[1], atol=1e-8)
    np.testing.assert_allclose(rows["R0_black"] / rows["R_over_Rw_0.80"], 0.98, atol=1e-8)


def test_luminance_is_that_of_a_general_library():
    """An ink that hides red and lets blue through: Y by colour-science from the same spectra."""
    K, S = np.geomspace(0.005, 0.3, 31)[None], np.geomspace(0.1, 0.01, 31)[None]
    body = kubelka_munk.beneath_surface(WHITE_CARD)
    white = kubelka_munk.through_surface(kubelka_munk.reflectance_over(K, S, 12.0, body))[0]
    black = kubelka_munk.through_surface(kubelka_munk.reflectance_over(K, S, 12.0, 0.0))[0]
    eye = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    light = colour.SDS_ILLUMINANTS["D50"]
    weights = np.array([eye[nm][1] * light[nm] for nm in WAVELENGTHS_NM])
    left = show_through(K, S, np.array([12.0]), D50)
    assert 1 - left[0] == pytest.approx(weights @ black / (weights @ white), abs=1e-3)


def test_no_film_leaves_the_cards_and_a_thick_one_hides_them():
    rng = np.random.default_rng(0)
    K, S = np.exp(rng.uniform(-7, 0, (40, 31))), np.exp(rng.uniform(-7, 0, (40, 31)))
    films = np.array([0.0, 1.0, 3.0, 10.0, 30.0, 1e6])
    ratio = np.array(
        [1 - show_through(K, S, np.full(40, x), D50, black=0.04, white=0.8) for x in films]
    )
    np.testing.assert_allclose(ratio[0], 0.04 / 0.8, rtol=1e-12)
    np.testing.assert_allclose(ratio[-1], 1.0, atol=1e-9)


def test_thicker_hides_more():
    rng = np.random.default_rng(1)
    K, S = np.exp(rng.uniform(-7, 0, (40, 31))), np.exp(rng.uniform(-7, 0, (40, 31)))
    left = [show_through(K, S, np.full(40, x), D50) for x in (1.0, 3.0, 10.0, 30.0)]
    assert (np.diff(left, axis=0) < 0).all()


def test_drawdowns_hide_as_they_were_measured():
    """The demo shop's drawdowns over its black and white cards, by its inks' K and S."""
    shop, model = small_shop(), small_model()
    cards = shop.substrates.set_index("substrate_id")[SPECTRUM].astype(float)
    readings = shop.drawdowns.dropna(subset=SPECTRUM).set_index(["ink_id", "film_um"])
    readings = readings[np.isfinite(readings.index.get_level_values("film_um"))]
    black, white = (
        readings.loc[readings["substrate_id"] == card, SPECTRUM].astype(float) - DRAWDOWN_HAZE
        for card in ("KCARD", "WCARD")
    )
    white = white.loc[black.index]
    Y = [xyz_from_reflectance(r.to_numpy(), D50)[:, 1] for r in (black, white)]
    ink = model.shelf_.index(black.index.get_level_values("ink_id").to_series())
    K, S = np.exp(model.shelf_.log_k[ink]), np.exp(model.shelf_.log_s[ink])
    film = black.index.get_level_values("film_um").to_numpy(float)
    bare = [cards.loc[card].to_numpy() for card in ("KCARD", "WCARD")]
    off = 1 - show_through(K, S, film, D50, *bare) - Y[0] / Y[1]
    assert len(off) > 10
    assert np.median(np.abs(off)) < 0.015 and np.abs(off).max() < 0.05, "the films are 3 % off"
