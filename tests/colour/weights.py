"""Where the weights of `learn.colour.colorimetry.viewing` come from: ``python -m
tests.colour.weights`` writes them anew.

The CIE tables of illuminants and observers are those of colour-science, and so is the ASTM E2022
interpolation; what this project adds is the rule of ASTM E308 for the two ends.
"""

from __future__ import annotations

import warnings

import numpy as np

from learn.colour.colorimetry import ILLUMINANTS, OBSERVERS, WAVELENGTHS_NM, WEIGHTS

_OBSERVERS = {
    "2": "CIE 1931 2 Degree Standard Observer",
    "10": "CIE 1964 10 Degree Standard Observer",
}


def weights(illuminant: str, observer: str) -> np.ndarray:
    """(31, 3): weights of ASTM E308 for 10-nm data, those outside 400-700 nm added to the end
    wavelengths, E308's rule for a truncated spectrum."""
    with warnings.catch_warnings():  # it misses a drawing library that nothing here needs
        warnings.simplefilter("ignore")
        import colour

    nm = colour.SpectralShape(360, 780, 1)
    every_10_nm = np.arange(360.0, 781.0, 10.0)
    tabulated = colour.colorimetry.tristimulus_weighting_factors_ASTME2022(
        colour.MSDS_CMFS[_OBSERVERS[observer]].copy().align(nm),
        colour.SDS_ILLUMINANTS[illuminant.replace("F", "FL")].copy().align(nm),
        colour.SpectralShape(360, 780, 10),
    )
    found = tabulated[np.isin(every_10_nm, WAVELENGTHS_NM)].copy()
    found[0] += tabulated[every_10_nm < WAVELENGTHS_NM[0]].sum(axis=0)
    found[-1] += tabulated[every_10_nm > WAVELENGTHS_NM[-1]].sum(axis=0)
    return found


if __name__ == "__main__":
    tables = {f"{light}-{eye}": weights(light, eye) for light in ILLUMINANTS for eye in OBSERVERS}
    np.savez_compressed(WEIGHTS, **tables)
