"""Colorimetry against published values, the colour-science library and finite differences.

Sources stand in datasets/published/README.md beside each table.
"""

import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest

from learn.colour.colorimetry import (
    BRIGHTEST,
    DARKEST,
    ILLUMINANTS,
    OBSERVERS,
    delta_e00,
    in_srgb_gamut,
    lab_from_reflectance,
    lab_from_srgb_hex,
    lab_from_xyz,
    lab_jacobian,
    reflectance_from_lab,
    srgb_hex,
    viewing,
    xyz_from_lab,
)
from learn.colour.resampling import resample_spectrum
from tests.colour.weights import weights
from tests.published import spectra_380_730, table

D50 = viewing("D50", "2")
D50_XY = 0.3457, 0.3585  # CIE chromaticity, 2 degrees


def real_labs(count: int, seed: int = 0) -> np.ndarray:
    """Lab of random walks over wavelength: colours that a real spectrum has."""
    rng = np.random.default_rng(seed)
    walk = rng.uniform(0, 1, (count, 1)) + np.cumsum(rng.normal(0, 0.06, (count, 31)), axis=1)
    return lab_from_reflectance(np.clip(walk, 0.01, 0.95), D50)


@pytest.mark.parametrize("observer", OBSERVERS)
def test_the_stored_weights_are_those_of_the_library(observer):
    for illuminant in ILLUMINANTS:
        view = viewing(illuminant, observer)
        np.testing.assert_allclose(view.weights, weights(illuminant, observer), rtol=0, atol=1e-12)
        assert (view.white_xyz == view.weights.sum(axis=0)).all()


def test_ciede2000_of_the_34_published_pairs():
    """Sharma, Wu & Dalal 2005, Table 1, both ways round."""
    pairs = table("ciede2000_pairs")
    lab1, lab2 = pairs[["L1", "a1", "b1"]].to_numpy(), pairs[["L2", "a2", "b2"]].to_numpy()
    for dE00 in (delta_e00(lab1, lab2), delta_e00(lab2, lab1)):
        miss = np.abs(dE00 - pairs["dE00"])
        # pair 14 has opposite hues: an exact tie, for which either mean hue is accepted
        miss[13] = min(miss[13], abs(dE00[13] - 4.7461))
        assert miss.max() < 5.1e-5


def test_ciede2000_agrees_with_the_library():
    import colour

    rng = np.random.default_rng(1)
    lab1, lab2 = rng.uniform([0, -128, -128], [100, 128, 128], (2, 5000, 3))
    lab1[:100, 1:] = 0  # greys have no hue
    lab2[50:150, 1:] = 0
    expected = colour.difference.delta_E_CIE2000(lab1, lab2)
    np.testing.assert_allclose(delta_e00(lab1, lab2), expected, atol=1e-9)
    assert delta_e00(lab1, lab1).max() == 0


def calls(work: Callable[[], object]) -> int:
    """How many functions, of Python or C, are called while ``work`` runs."""
    count = 0

    def seen(_frame, event: str, _argument) -> None:
        nonlocal count
        count += event in ("call", "c_call")

    sys.setprofile(seen)
    try:
        work()
    finally:
        sys.setprofile(None)
    return count


def test_ciede2000_broadcasts_without_a_loop_over_pairs():
    lab = real_labs(500)
    square = delta_e00(lab[:, None], lab[None, :])
    assert square.shape == (500, 500)
    np.testing.assert_array_equal(square[3], delta_e00(lab[3], lab))
    assert delta_e00([50, 0, 0], [50, 0, 0]).shape == ()
    assert calls(lambda: delta_e00(lab, lab[0])) == calls(lambda: delta_e00(lab[:2], lab[0]))


@pytest.mark.parametrize(
    "row", list(table("white_points").query("illuminant != 'ICC PCS D50'").itertuples()), ids=str
)
def test_white_points(row):
    """CIE whites by 1-nm integration; steps and truncation differ by up to 0.03."""
    white = viewing(row.illuminant, str(row.observer_deg)).white_xyz
    np.testing.assert_allclose(white, [row.X, row.Y, row.Z], atol=0.03)


def test_lab_conversions():
    """ISO/CIE 11664-4 both ways, the dark straight line included."""
    rows = table("cielab_conversion")
    xyz, white = rows[["X", "Y", "Z"]].to_numpy(), rows[["Xn", "Yn", "Zn"]].to_numpy()
    lab = rows[["L", "a", "b"]].to_numpy()
    np.testing.assert_allclose(lab_from_xyz(xyz, white), lab, atol=2e-8)
    np.testing.assert_allclose(xyz_from_lab(lab, white), xyz, atol=1e-7)


def test_chart_spectra_have_their_published_colours():
    """24 chart patches: E308 on the spectra against separately published xyY, D50, 2 degrees."""
    chart = table("chart_24")
    nm, spectra = spectra_380_730(chart)
    lab = lab_from_reflectance(resample_spectrum(nm, spectra), D50)
    x, y, Y = chart[["x", "y", "Y"]].to_numpy().T
    white_x, white_y = D50_XY
    white = np.array([white_x / white_y, 1, (1 - white_x - white_y) / white_y])
    published = lab_from_xyz(np.stack([x * Y / y, Y, (1 - x - y) * Y / y], axis=-1), white)
    dE76 = np.linalg.norm(lab - published, axis=-1)
    assert dE76.max() < 0.2 and dE76.mean() < 0.06  # rounding of the published figures


def test_perfect_reflector_is_exactly_white():
    for illuminant in ("A", "C", "D50", "D65", "F2", "F11"):
        white = lab_from_reflectance(np.ones(31), viewing(illuminant, "10"))
        np.testing.assert_allclose(white, [100, 0, 0], atol=1e-12)


def test_viewing_conditions_by_any_usual_name():
    assert viewing("fl2", "10").weights is not viewing("F2", "10").weights
    np.testing.assert_array_equal(viewing("fl2", "10").weights, viewing("F2", "10").weights)
    with pytest.raises(ValueError, match=r"illuminant 'D93' is not known: use one of A, C, D50"):
        viewing("D93", "2")
    with pytest.raises(ValueError, match="observer '4' is not known: use 2 or 10"):
        viewing("D50", "4")


def test_importing_does_not_load_the_colour_library():
    code = "import sys, learn.colour.colorimetry; sys.exit('colour' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_jacobian_by_finite_differences():
    rng = np.random.default_rng(3)
    spectra = rng.uniform(0.0, 1.0, (6, 31)) * np.array([1e-3, 0.005, 0.05, 0.3, 1, 1])[:, None]
    step = 1e-6
    nudged = spectra[:, None, :] + step * np.eye(31)
    lowered = spectra[:, None, :] - step * np.eye(31)
    slope = (lab_from_reflectance(nudged, D50) - lab_from_reflectance(lowered, D50)) / (2 * step)
    jacobian = lab_jacobian(spectra, D50)
    np.testing.assert_allclose(jacobian, slope.swapaxes(1, 2), rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("light", [("D50", "2"), ("D65", "10"), ("A", "2"), ("F11", "10")])
def test_lab_to_spectrum_and_back(light):
    """Random real colours, the chart, and every print of the two offset tables."""
    condition = viewing(*light)
    nm, chart = spectra_380_730(table("chart_24"))
    prints = [
        table(name)[[f"{end}_{axis}" for axis in "Lab"]].to_numpy()
        for name in ("coated_backings", "uncoated_backings")
        for end in ("back", "print")
    ]
    labs = [real_labs(500), lab_from_reflectance(resample_spectrum(nm, chart), D50), *prints]
    lab = np.concatenate(labs if light[0].startswith("D5") else labs[:2])
    if not light[0].startswith("D5"):  # the same spectra, seen under that light
        lab = lab_from_reflectance(reflectance_from_lab(lab, D50), condition)
    spectra = reflectance_from_lab(lab, condition)
    assert spectra.min() >= DARKEST and spectra.max() <= BRIGHTEST
    assert delta_e00(lab, lab_from_reflectance(spectra, condition)).max() < 1e-4


def test_a_grey_has_a_flat_spectrum():
    grey = lab_from_reflectance(np.full(31, 0.2), D50)
    np.testing.assert_allclose(reflectance_from_lab(grey, D50), 0.2, atol=1e-4)


def test_colours_that_no_surface_has_get_a_near_spectrum():
    lab = np.array([[0, 0, 0], [120, 0, 0], [-5, 9, 0], [0, 100, -100], [60, -150, 100]], float)
    spectra = reflectance_from_lab(lab, D50)
    assert np.isfinite(spectra).all()
    missed = np.linalg.norm(lab_from_reflectance(spectra, D50) - lab, axis=-1)
    at_random = np.linalg.norm(real_labs(5000)[:, None] - lab, axis=-1).min(axis=0)
    assert (missed <= at_random).all()
    assert np.isnan(reflectance_from_lab([np.nan, 0, 0], D50)).all()
    assert reflectance_from_lab(np.empty((0, 3)), D50).shape == (0, 31)


def test_screen_colours():
    """IEC 61966-2-1 primaries, adapted to D50 as ICC profiles do (Bradford).

    Lab under D50 by the colour-science library's own chain.
    """
    import colour

    names = np.array(["#ff0000", "#00ff00", "#0000ff", "#ffffff", "#000000", "#777777", "#c8102e"])
    lab = lab_from_srgb_hex(names, D50)
    rgb = np.array([[int(n[i : i + 2], 16) for i in (1, 3, 5)] for n in names]) / 255
    expected = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(rgb, D50_XY, "Bradford"), D50_XY)
    np.testing.assert_allclose(lab, expected, atol=0.05)
    np.testing.assert_array_equal(srgb_hex(lab, D50), names)
    assert in_srgb_gamut(lab, D50).all()
    assert not in_srgb_gamut([55, -37, -50], D50)  # offset cyan, beyond any such screen
    assert srgb_hex([55, -37, -50], D50).shape == ()
    with pytest.raises(ValueError, match="'#12' is not a screen colour: write it as #rrggbb"):
        lab_from_srgb_hex("#12", D50)
