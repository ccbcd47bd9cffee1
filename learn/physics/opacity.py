"""How well a film hides what lies beneath it: luminance over black against that over white.

The contrast ratio of ISO 6504 and ASTM D2805: Y of a film over a black card divided by Y of the
same film over a white one; 1 hides fully, 0.98 by convention counts as hiding. ISO 6504-1 works
it out by Kubelka-Munk, as here. The cards are an ideal black and a white of 0.80.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from learn.colour.colorimetry import Viewing, xyz_from_reflectance
from learn.physics import kubelka_munk

Array = NDArray[np.floating]

BLACK_CARD, WHITE_CARD = 0.0, 0.80  # reflectance as measured


def show_through(
    K: ArrayLike,
    S: ArrayLike,
    film_um: ArrayLike,
    viewing: Viewing,
    black: float = BLACK_CARD,
    white: float = WHITE_CARD,
) -> Array:
    """One minus the contrast ratio of films, (n,): how much of the card's contrast is left.

    Parameters
    ----------
    K, S : (n, 31), per um of dry film
    film_um : (n,)
    black, white : reflectance of the bare cards, 0..1, at every wavelength, gloss left out
    """
    R0, T = kubelka_munk.film(K, S, np.asarray(film_um, float)[:, None])
    over_black, over_white = (
        kubelka_munk.through_surface(kubelka_munk.over(R0, T, kubelka_munk.beneath_surface(card)))
        for card in (black, white)
    )
    # the difference first: of a film that hides, the ratio itself would keep few digits
    between = xyz_from_reflectance(over_white - over_black, viewing)[:, 1]
    return between / xyz_from_reflectance(over_white, viewing)[:, 1]
