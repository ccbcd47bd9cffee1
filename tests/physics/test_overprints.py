"""Real prints: overprints predicted from single solids by the layer code alone, nothing learnt.

Spectra of a press proof and the Lab of offset prints, see datasets/published/README.md.
A published overprint model with a fitted ink opacity reports a mean below 3 dE00 on 4,550
offset patches (Deshpande & Green 2010); the plain product of reflectances is the other
yardstick.
"""

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
from tests.published import LAB, PAPER, coated_shop, spectra_380_730, table

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


def test_overprints_from_single_solids():
    """CM, CY, MY: mean 1.6 dE00 in the usual order, 0.8 in reverse; plain product 4.1."""
    patches = table("overprint_spectra")
    R = dict(zip(patches["patch"], resample_spectrum(*spectra_380_730(patches)), strict=True))
    lab = {patch: lab_from_reflectance(r, D50) for patch, r in R.items()}
    ink = {i: film_of_ink([R["paper"]], [R[i]]) for i in "CY"}
    ink["M"] = film_of_ink([R["paper"], R["K"]], [R["M"], R["MK"]])
    pairs = ["CM", "CY", "MY"]
    # which ink was printed first is not recorded; first letter first is the usual sequence
    usual = [delta_e00(print_lab(ink[on], R[under]), lab[under + on]) for under, on in pairs]
    reverse = [delta_e00(print_lab(ink[on], R[under]), lab[on + under]) for on, under in pairs]
    product = [
        delta_e00(lab_from_reflectance(R[a] * R[b] / R["paper"], D50), lab[a + b]) for a, b in pairs
    ]
    assert np.mean(usual) < 3 and np.mean(reverse) < 3
    assert np.mean(usual) < np.mean(product) / 2


@pytest.mark.parametrize(
    ("paper", "limit"),
    [("coated", {"C": 3.5, "M": 3.0, "Y": 2.5}), ("uncoated", dict.fromkeys("CMY", 4.5))],
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
