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


def thickness(places: int, sigma: Array, sharp: Array, thin: Array) -> Array:
    """Film over its mean (places, m) of films with a spread of ``sigma`` (m,), in log film.

    ``sharp`` (m,), above 0: how sharply the law bends; ``thin`` (m,): where, as the probit of the
    share of the area below it.
    """
    z = ndtri((np.arange(places) + 0.5) / places)[:, None]
    bent = np.tanh(bounded(sharp, SHARPEST) * (z - bounded(thin, FARTHEST)))
    bent = (bent - bent.mean(axis=0)) / bent.std(axis=0)
    thick = np.exp(bounded(sigma, WIDEST) * bent)
    return thick / thick.mean(axis=0)


def seen(K: Array, S: Array, films: Array, back: Array, like: Index | None = None) -> Array:
    """Reflectance (n, 31) of ``films`` (places, m), um, over ``back`` (n, 31).

    ``like`` (n,): which of the m films lies over each back, where several share one.
    """
    # `kubelka_munk.reflectance_over` place by place, all that no place changes worked out once
    alpha, r = kubelka_munk.attenuation(K, S), np.zeros_like(back)
    every = slice(None) if like is None else like
    k_s, s = (K + S)[every], S[every]
    more, less = s - k_s * back, k_s - s * back
    for x in films:
        t = np.tanh(alpha * x[:, None])
        t /= alpha
        t = t[every]
        r += (back + t * more) / (1.0 + t * less)
    return r / len(films)
