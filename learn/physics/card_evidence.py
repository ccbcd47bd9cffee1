"""What all cards of a shop say together, by their evidence: how much theory misses of a film."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag

from learn.colour.colorimetry import Viewing, lab_jacobian
from learn.normal import log_density
from learn.physics.drawdowns import Drawdowns, film_reflectance, is_spectral, missed_of, readings
from learn.physics.ink_fit import InkPrior

Array = NDArray[np.floating]
# log K and log S (62,) of an ink as fitted, its cards, and what it may be before they are read.
Read = tuple[Array, Drawdowns, InkPrior]

# What theory misses of a film is a share of its reflectance: how large, a shop's own cards say,
# about what is usual. Without it a card's last per cent would say, and surely, how much an ink
# scatters. Found on invented shops; no source.
MISSED = np.array([0.005, 0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.06, 0.08])
USUAL, USUAL_SPREAD = 0.02, 0.7


def evidence(inks: Sequence[Read], viewing: Viewing, shares: Array) -> Array:
    """Log evidence, up to a constant, of the cards of ``inks``, by each of the ``shares`` of a film
    that theory may miss, and what is usual of it; by the tangents where the inks were fitted."""
    found: Array = -0.5 * (np.log(shares / USUAL) / USUAL_SPREAD) ** 2
    for theta, rows, prior in inks:
        errors, jacobians, covariances = readings(theta, rows, viewing)
        H, r = np.vstack(jacobians), film_reflectance(theta, rows) * rows.noise[:, None]
        away = np.concatenate(errors) + H @ (theta - prior.mean)
        whole = block_diag(*covariances) + H @ np.linalg.solve(prior.precision, H.T)
        alike = [missed_of(one, 1.0) for one in r]
        for d in np.flatnonzero(~is_spectral(rows)):
            to_lab = lab_jacobian(r[d] / rows.noise[d], viewing)
            alike[d] = to_lab @ alike[d] @ to_lab.T
        for i, share in enumerate(shares):
            found[i] += log_density(away, whole + share**2 * block_diag(*alike))
    return found


def missed_by(inks: Sequence[Read], viewing: Viewing) -> float:
    """The share of a film that theory misses by which the cards are likeliest; Lab tells too little
    of the spectrum."""
    told = [ink for ink in inks if is_spectral(ink[1]).all()]
    return float(MISSED[evidence(told, viewing, MISSED).argmax()])
