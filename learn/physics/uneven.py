"""Films are uneven over the yarns of cloth: how thick they lie where, and their light together.

A film is looked at in a few places of equal area, from thin to thick. Its log follows a bent normal
law, a hyperbolic tangent of one: nearly the normal law itself where the bend is slight; with a tail
of thin places, or of thick ones, where it lies to one side; two levels where it is sharp, over the
knuckles of the threads and between them. The family is our own; that mesh marks a film so: common
practice, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from learn.physics import kubelka_munk
from learn.physics.ends import bounded

Array = NDArray[np.floating]
Index = NDArray[np.intp]

# No spread is wider, no bend sharper or farther out: the outmost places would be all there is.
WIDEST, SHARPEST, FARTHEST = 1.5, 3.0, 1.2


def thickness(places: int, sigma: Array, sharp: float, thin: float) -> Array:
    """Film over its mean (places, m) of films with a spread of ``sigma`` (m,), in log film.

    ``sharp``, above 0: how sharply the law bends; ``thin``: where, as the probit of the share of
    the area below it.
    """
    z = ndtri((np.arange(places) + 0.5) / places)
    bent = np.tanh(bounded(sharp, SHARPEST) * (z - bounded(thin, FARTHEST)))
    bent = (bent - bent.mean()) / bent.std()
    thick = np.exp(bounded(sigma, WIDEST) * bent[:, None])
    return thick / thick.mean(axis=0)


def seen(K: Array, S: Array, films: Array, back: Array, like: Index | None = None) -> Array:
    """Reflectance (n, 31) of ``films`` (places, m), um, over ``back`` (n, 31).

    ``like`` (n,): which of the m films lies over each back, where several share one.
    """
    r = np.zeros_like(back)
    for x in films:
        R0, T = kubelka_munk.film(K, S, x[:, None])
        if like is not None:
            R0, T = R0[like], T[like]
        r += kubelka_munk.over(R0, T, back)
    return r / len(films)
