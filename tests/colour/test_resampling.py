"""Spectra of other steps and ranges."""

import numpy as np
import pytest

from learn.colour.colorimetry import WAVELENGTHS_NM, delta_e00, lab_from_reflectance, viewing
from learn.colour.resampling import resample_spectrum
from tests.published import spectra_380_730, table

D50 = viewing("D50", "2")


def test_resampling_real_spectra():
    """Prints measured at 380-730 nm, 10 nm: finer, coarser and cut versions tell the same Lab."""
    import colour

    wanted = WAVELENGTHS_NM
    nm, spectra = spectra_380_730(table("overprint_spectra"))
    kept = resample_spectrum(nm, spectra)
    inside = np.isin(nm, WAVELENGTHS_NM)
    np.testing.assert_array_equal(kept, spectra[:, inside])
    lab = lab_from_reflectance(kept, D50)
    every_5 = np.arange(380.0, 731.0, 5.0)
    finer = np.stack([np.interp(every_5, nm, spectrum) for spectrum in spectra])
    np.testing.assert_allclose(resample_spectrum(every_5, finer), kept, atol=1e-12)
    coarser = resample_spectrum(nm[::2], spectra[:, ::2])
    assert delta_e00(lab, lab_from_reflectance(coarser, D50)).max() < 0.2
    # second opinion: the colour-science library's interpolation of CIE 167:2005
    sprague = np.stack([colour.SpragueInterpolator(nm[::2], s[::2])(wanted) for s in spectra])
    np.testing.assert_allclose(coarser, np.maximum(sprague, spectra[:, ::2].min(1)[:, None]))
    cut = resample_spectrum(nm[4:-5], spectra[:, 4:-5])  # 420-680 nm
    np.testing.assert_array_equal(cut[:, :2], kept[:, [2, 2]])
    assert delta_e00(lab, lab_from_reflectance(cut, D50)).max() < 0.7
    holed = spectra.copy()
    holed[1, 5] = np.nan
    unknown = np.isnan(resample_spectrum(nm, holed))
    assert unknown[1].all() and unknown.sum() == 31


@pytest.mark.parametrize(
    ("nm", "message"),
    [
        (np.arange(440, 701, 10), "too short: 420-680 nm must be covered"),
        (np.arange(400, 701, 25), "20 nm apart at most"),
        (np.arange(700, 399, -10), "wavelengths must rise"),
        (np.r_[np.arange(400, 541, 20), np.arange(550, 701, 10)], "must stand evenly apart"),
    ],
)
def test_spectra_that_cannot_be_resampled(nm, message):
    with pytest.raises(ValueError, match=message):
        resample_spectrum(nm, np.full(len(nm), 0.5))
    with pytest.raises(ValueError, match="one value a wavelength"):
        resample_spectrum(nm, np.full(3, 0.5))
