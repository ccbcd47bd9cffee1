"""Film optics against computed tables (four independent routes), printed examples, properties.

Sources stand in datasets/published/README.md beside each table.
"""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from learn.physics import kubelka_munk
from tests.published import table


def test_infinite_thickness():
    """Kubelka & Munk 1931: K/S = (1 - R)^2 / 2R and back."""
    rows = table("km_infinite_thickness")
    np.testing.assert_allclose(
        kubelka_munk.r_infinity(rows["K_over_S"], 1), rows["R_inf"], rtol=1e-7
    )
    assert kubelka_munk.r_infinity(1.0, 0.0) == 0


def test_finite_layer():
    """Hyperbolic, exponential, layer-addition and differential-equation routes agree."""
    rows = table("km_finite_layer")
    K, S, X = rows["K_per_unit"], rows["S_per_unit"], rows["X_units"]
    R0, T = kubelka_munk.film(K, S, X)
    np.testing.assert_allclose(R0, rows["R0_over_ideal_black"], atol=2e-12)
    np.testing.assert_allclose(T, rows["T_layer"], atol=2e-12)
    R = kubelka_munk.reflectance_over(K, S, X, rows["R_background"])
    np.testing.assert_allclose(R, rows["R_layer_over_background"], atol=2e-12)
    np.testing.assert_allclose(kubelka_munk.r_infinity(K, S), rows["R_inf"], atol=2e-12)
    ratio = R0 / kubelka_munk.over(R0, T, 0.8)
    np.testing.assert_allclose(ratio, rows["contrast_ratio_R0_over_R080"], atol=2e-12)


def test_ink_over_white_base_over_garment():
    """Kubelka 1954: each layer has what lies beneath it for a background."""
    rows = table("km_underbase_stack")
    ink = kubelka_munk.film(rows["K_ink"], rows["S_ink"], rows["X_ink"])
    white = kubelka_munk.film(rows["K_white"], rows["S_white"], rows["X_white"])
    after_white = kubelka_munk.over(*white, rows["R_garment"])
    np.testing.assert_allclose(after_white, rows["R_after_white"], atol=1e-10)
    np.testing.assert_allclose(kubelka_munk.over(*ink, after_white), rows["R_final"], atol=1e-10)


def test_saunderson():
    """Saunderson 1942 by hand, k1 = 0 and k2 = 0.6: 0.4 x 0.05 / 0.97 and 0.4 x 0.02 / 0.988
    (a secondary source, lecture notes on paint, rounds them to 0.021 and 0.008)."""
    seen = kubelka_munk.through_surface([0.05, 0.02], k1=0, k2=0.6)
    np.testing.assert_allclose(seen, [0.0206185567, 0.0080971660], atol=1e-10)
    for row in table("saunderson_forward").itertuples():
        for measured, gloss in (
            (row.R_measured_SPIN, True),
            (row.R_measured_SPEX_k1_removed, False),
        ):
            surface = {"k1": row.k1, "k2": row.k2, "specular_included": gloss}
            R = kubelka_munk.through_surface(row.R_internal, **surface)
            np.testing.assert_allclose(R, measured, atol=1e-10)
            back = kubelka_munk.beneath_surface(R, **surface)
            np.testing.assert_allclose(back, row.R_internal, atol=1e-12)


def test_transparent_inks_mix_by_density():
    """Printed example: 0.4 and 0.8 in equal parts give 0.566 (Westland & Ripamonti, p. 148).

    Beer-Lambert over an ideal white is the S = 0 limit of the film, and the mix of K its mean.
    """
    K = -np.log([0.4, 0.8]) / 2
    mixed = kubelka_munk.reflectance_over(K.mean(), 0.0, 1.0, 1.0)
    assert mixed == pytest.approx(0.566, abs=5e-4)


# True for any ink. Films of 1e-6 um to a metre, and coefficients from nothing to 1e4 per um,
# reach far beyond any print on every side.
coefficient = st.one_of(st.just(0.0), st.floats(1e-9, 1e4))
thickness = st.one_of(st.just(0.0), st.floats(1e-6, 1e6))
reflectance = st.floats(0.0, 0.999)
many = settings(max_examples=200)


@many
@given(K=coefficient, S=coefficient, X=thickness, Rg=reflectance)
@example(K=1e4, S=0.0, X=1e6, Rg=0.9)
@example(K=0.0, S=1e4, X=1e6, Rg=0.999)
@example(K=0.0, S=0.0, X=1e6, Rg=0.5)
def test_light_is_conserved_at_every_extreme(K, S, X, Rg):
    R0, T = kubelka_munk.film(K, S, X)
    assert 0 <= R0 <= 1 and 0 <= T <= 1 and R0 + T <= 1 + 1e-9
    if K == 0:
        np.testing.assert_allclose([R0, T], [S * X / (1 + S * X), 1 / (1 + S * X)], rtol=1e-9)
    R = kubelka_munk.over(R0, T, Rg)
    assert 0 <= R <= 1
    if S == 0:
        np.testing.assert_allclose(R, Rg * np.exp(-2 * K * X), rtol=1e-9, atol=1e-300)


@many
@given(K=coefficient, S=coefficient, X=thickness)
def test_a_film_over_its_own_bucket_is_the_bucket(K, S, X):
    bucket = kubelka_munk.r_infinity(K, S)
    if bucket < 0.999:
        assert kubelka_munk.reflectance_over(K, S, X, bucket) == pytest.approx(bucket, abs=1e-8)


@many
@given(K=coefficient, S=coefficient, X1=thickness, X2=thickness, Rg=reflectance)
def test_two_films_of_one_ink_are_one_film(K, S, X1, X2, Rg):
    beneath = kubelka_munk.reflectance_over(K, S, X2, Rg)
    twice = kubelka_munk.reflectance_over(K, S, X1, beneath)
    # near R = 1 a bounce 1 - R1 R2 keeps few digits
    once = kubelka_munk.reflectance_over(K, S, X1 + X2, Rg)
    np.testing.assert_allclose(once, twice, atol=1e-6)


@many
@given(K=coefficient, S=coefficient, Rg=reflectance, X=st.lists(thickness, min_size=2, max_size=6))
def test_thicker_moves_from_backing_to_bucket(K, S, Rg, X):
    X = np.sort(X)
    to_bucket = np.abs(kubelka_munk.reflectance_over(K, S, X, Rg) - kubelka_munk.r_infinity(K, S))
    assert (np.diff(to_bucket) <= 1e-8).all()


@many
@given(K=coefficient, S=coefficient, X=thickness, Rg=reflectance)
def test_a_lighter_backing_never_darkens_and_never_gains(K, S, X, Rg):
    R0, T = kubelka_munk.film(K, S, X)
    slope = T**2 / (1 - R0 * Rg) ** 2  # dR/dRg
    assert 0 <= slope <= 1 + 1e-9
    step = 1e-4
    rise = kubelka_munk.over(R0, T, Rg + step) - kubelka_munk.over(R0, T, Rg)
    assert -1e-12 <= rise <= step * (1 + 1e-9) + 1e-12


def test_opaque_at_any_thickness_is_the_bucket():
    K, S = np.array([0.1, 1.0, 1e-3]), np.array([1.0, 0.01, 1.0])
    for X in (1e8, np.inf):
        R = kubelka_munk.reflectance_over(K, S, X, 0.8)
        np.testing.assert_allclose(R, kubelka_munk.r_infinity(K, S), rtol=1e-12)


def test_wet_cloth_is_darker():
    """Common practice, no source: cloth darkens when its pores fill; none filled, none lost."""
    dry = np.linspace(0.01, 0.95, 20)
    assert (kubelka_munk.wet_out(dry, 0.3) < dry).all()
    np.testing.assert_array_equal(kubelka_munk.wet_out(dry, 0.0), dry)


def test_dye_is_taken_out_of_cloth():
    """Kubelka & Munk 1931, km_infinite_thickness.csv: K/S of a thick cloth, none, half and all of
    it taken away."""
    rows = table("km_infinite_thickness")
    R, k = rows["R_inf"].to_numpy(), rows["K_over_S"].to_numpy()
    np.testing.assert_allclose(kubelka_munk.k_over_s(R), k, rtol=1e-6)
    np.testing.assert_allclose(kubelka_munk.less_dyed(R, 1.0), R, rtol=1e-6)
    half = kubelka_munk.less_dyed(R, 0.5)
    np.testing.assert_allclose((1 - half) ** 2 / (2 * half), k / 2, rtol=1e-6)
    np.testing.assert_allclose(kubelka_munk.less_dyed(R, 0.0), 1.0)


def test_ink_adds_up_in_the_cloth_it_reaches():
    """Nothing sunk in is the cloth itself; sunk in all the way, K/S adds up (the same table); in
    cloth that hardly scatters it lies as a film of its own over the rest."""
    rows = table("km_infinite_thickness")
    R, k = rows["R_inf"].to_numpy(), rows["K_over_S"].to_numpy()
    np.testing.assert_allclose(kubelka_munk.inked_cloth(R, 2.0, 0.0, 0.0), R, rtol=1e-6)
    through = kubelka_munk.inked_cloth(R, 1e3, 0.3e3, 0.5e3)
    expected = (k + 0.3) / 1.5
    np.testing.assert_allclose((1 - through) ** 2 / (2 * through), expected, rtol=1e-6)
    film = kubelka_munk.reflectance_over(0.4, 0.2, 1.0, R)
    np.testing.assert_allclose(kubelka_munk.inked_cloth(R, 1e-9, 0.4, 0.2), film, rtol=1e-6)
