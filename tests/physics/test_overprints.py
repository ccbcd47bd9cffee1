"""Real prints: overprints predicted from single solids by the layer code alone, nothing learnt.

Spectra of a press proof and the Lab of offset prints, see datasets/published/README.md.
The yardstick is the plain product of reflectances. (For comparison: an overprint model
with a fitted ink opacity reports a mean below 3 dE00 on 4,550 offset patches: Deshpande & Green
2010, A simplified method of predicting the colorimetry of spot color overprints, 18th Color
and Imaging Conference; title and venue from memory.)
"""

from functools import cache

import numpy as np
import pytest
from scipy.optimize import least_squares

from learn.colour.colorimetry import (
    delta_e00,
    lab_from_reflectance,
    reflectance_from_lab,
    viewing,
)
from learn.colour.resampling import resample_spectrum
from learn.physics import kubelka_munk
from tests.published import LAB, PAPER, SPECTRUM, coated_shop, spectra_380_730, table

D50 = viewing("D50", "2")

# Process inks are close to transparent (their transparency is an ISO 2846 test); a film
# over one backing cannot tell K from S, so log K X and log S X get a weak prior each.
USUAL_LOG_KS, USUAL_SD = np.log([0.3, 0.01]), np.array([3.0, 1.5])


def film_of_ink(backs: list[np.ndarray], prints: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """K and S (31,) of an ink, per film thickness, from its prints over measured backings."""
    back, measured = kubelka_munk.beneath_surface(np.array(backs)), np.array(prints)

    def misses(log_ks: np.ndarray, at: int) -> np.ndarray:
        K, S = np.exp(log_ks)
        r = kubelka_munk.through_surface(kubelka_munk.reflectance_over(K, S, 1.0, back[:, at]))
        reading = (r - measured[:, at]) / (0.001 + 0.05 * measured[:, at])
        return np.concatenate([reading, (log_ks - USUAL_LOG_KS) / USUAL_SD])

    fits = [least_squares(misses, USUAL_LOG_KS, bounds=(-12, 4), args=(at,)).x for at in range(31)]
    K, S = np.exp(fits).T
    return K, S


def print_lab(ink: tuple[np.ndarray, np.ndarray], back: np.ndarray) -> np.ndarray:
    r = kubelka_munk.reflectance_over(*ink, 1.0, kubelka_munk.beneath_surface(back))
    return lab_from_reflectance(kubelka_munk.through_surface(r), D50)


@cache
def solids() -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Spectra (31,) of the proof's paper, solids and overprints, and their Lab."""
    patches = table("overprint_spectra")
    R = dict(zip(patches["patch"], resample_spectrum(*spectra_380_730(patches)), strict=True))
    return R, {patch: lab_from_reflectance(r, D50) for patch, r in R.items()}


@cache
def proof_ink(name: str) -> tuple[np.ndarray, np.ndarray]:
    """K and S of a proof ink from its prints over the darkest and the brightest backing alone."""
    pairs = table("proof_backings").query("ink == @name")
    back, printed = (
        pairs[[f"{end}_{band}" for band in SPECTRUM]].to_numpy() for end in ("back", "print")
    )
    ends = [back.mean(axis=1).argmin(), back.mean(axis=1).argmax()]
    return film_of_ink(list(back[ends]), list(printed[ends]))


def test_overprints_from_single_solids():
    """CM, CY, MY, first letter first: 0.7, 1.4, 0.5 dE00; the other way round 0.4, 0.9, 0.6;
    plain product 3.4, 2.1, 6.9. Which was printed first is not recorded, and inks so clear do
    not tell: both orders come within half a unit of each other."""
    R, lab = solids()
    pairs = ["CM", "CY", "MY"]
    orders = {
        order: np.array(
            [
                delta_e00(print_lab(proof_ink(pair[top]), R[pair[1 - top]]), lab[pair])
                for pair in pairs
            ]
        )
        for order, top in (("usual", 1), ("reverse", 0))
    }
    product = [
        delta_e00(lab_from_reflectance(R[a] * R[b] / R["paper"], D50), lab[a + b]) for a, b in pairs
    ]
    for missed in orders.values():
        assert missed.max() < 1.6 and missed.mean() < 1.0
        assert (missed < product).all() and missed.mean() < np.mean(product) / 4
    assert np.abs(orders["usual"] - orders["reverse"]).max() < 0.6


def test_over_black_the_order_shows():
    """Magenta on solid black, as usually printed (black first; common practice, no source): 2.1
    dE00. Black on solid magenta would be 6.1."""
    R, lab = solids()
    usual = delta_e00(print_lab(proof_ink("M"), R["K"]), lab["MK"])
    black = film_of_ink([R["paper"]], [R["K"]])
    assert usual < 2.5
    assert delta_e00(print_lab(black, R["M"]), lab["MK"]) > usual + 3


@pytest.mark.parametrize(
    ("paper", "limit"),
    [("coated", {"C": 3.4, "M": 2.9, "Y": 2.3}), ("uncoated", {"C": 4.3, "M": 3.4, "Y": 4.1})],
)
def test_solid_inks_over_every_measured_backing(paper, limit):
    """Lab alone, each ink fitted on paper and on solid black, about 195 backings each.

    Mean dE00 of C, M, Y: coated 3.1, 2.6, 2.0 (product 6.0, 5.2, 4.8), uncoated 3.9, 3.0,
    3.7 (product 10.4, 11.3, 10.2).
    """
    shop = coated_shop(paper=paper, held_out_share=0).shop
    spectra = dict(
        zip(
            shop.substrates["substrate_id"],
            reflectance_from_lab(shop.substrates[LAB], D50),
            strict=True,
        )
    )
    for ink_id, drawn in shop.drawdowns.groupby("ink_id"):
        readings = reflectance_from_lab(drawn[LAB], D50)
        ink = film_of_ink([spectra[s] for s in drawn["substrate_id"]], list(readings))
        prints = shop.prints[shop.prints["ink_id"] == ink_id]
        backs = np.array([spectra[s] for s in prints["substrate_id"]])
        missed = delta_e00(print_lab(ink, backs), prints[LAB]).mean()
        over_paper = readings[(drawn["substrate_id"] == PAPER).to_numpy()]
        product = lab_from_reflectance(over_paper * backs / spectra[PAPER], D50)
        assert missed < limit[ink_id]
        assert missed < 0.6 * delta_e00(product, prints[LAB]).mean()
