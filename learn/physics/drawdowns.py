"""What a drawdown reads by K and S of its ink, and how far a reading may be off.

A reading is off by its instrument, by a film that is not as thick as was meant, and by what two
fluxes and one surface miss of a film. One of Lab alone says little of the spectrum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import block_diag

from learn.colour.colorimetry import (
    WAVELENGTHS_NM,
    Viewing,
    lab_from_reflectance,
    lab_jacobian,
    reflectance_from_lab,
)
from learn.physics import kubelka_munk

Array = NDArray[np.floating]

N_WAVELENGTHS = len(WAVELENGTHS_NM)
SPECTRUM = [f"r{int(nm)}" for nm in WAVELENGTHS_NM]
LAB = ["L", "a", "b"]

# What an instrument is off: a share of the reading plus a floor.
READING_SHARE = 0.010
READING_FLOOR = 0.0015
# A drawdown's own haze is part of its reading: a card is smoother than a print.
DRAWDOWN_HAZE = 0.002
LAB_ERROR = 0.5
# The film that was laid against the one that was meant, as a careful hand draws it down.
FILM_ERROR = 0.03
# Over what length of the spectrum that which theory misses of a film is alike: on invented shops
# 50 to 400 nm did nearly as well; no source.
MISSED_NM = 200.0
# Over what change of log film, and of the reflectance beneath, too; the bucket is a thick film.
# A guess.
ALIKE_LOG_FILM, ALIKE_BACK, BUCKET_UM = 1.0, 0.3, 1000.0
# How far a real spectrum may lie from the smoothest one of its Lab.
GUESS_SHARE, GUESS_FLOOR = 0.20, 0.02
# Cloth takes a drawdown less evenly than a card does; what wetting it costs is a guess.
CLOTH_WET_OUT = 0.35
CLOTH_NOISE = 2.0


def reflectance_columns(frame: pd.DataFrame) -> Array:
    """The r400 .. r700 columns as (n, 31), NaN where a column or cell is missing."""
    return np.array(frame.reindex(columns=SPECTRUM), float)


def lab_columns(frame: pd.DataFrame, viewing: Viewing) -> Array:
    """Lab of every row (n, 3): from its spectrum where there is one, else as given."""
    spectra = reflectance_columns(frame)
    lab = np.array(frame.reindex(columns=LAB), float)
    known = np.isfinite(spectra).all(axis=1)
    if known.any():
        lab[known] = lab_from_reflectance(spectra[known], viewing)
    return lab


def has_pores(substrates: pd.DataFrame) -> NDArray[np.bool_]:
    """Which substrates are cloth: open fibres in air, without a surface of their own."""
    card = substrates["kind"].to_numpy() == "card"
    return ~(card | (substrates["fibre"].to_numpy() == "paper"))


def body_of(substrates: pd.DataFrame, substrate_r: Array, coated_cards: bool = True) -> Array:
    """Reflectance (n, 31) that an ink laid on the substrate has behind it.

    Ink takes the place of a coated card's surface; cloth has none, nor a card that is not coated,
    and is measured as it is.
    """
    bare = has_pores(substrates)[:, None] | (not coated_cards)
    body = np.where(bare, substrate_r, kubelka_munk.beneath_surface(substrate_r))
    return np.clip(body, 0.0, 0.995)


def near(nm: float) -> Array:
    """How alike wavelengths are, (31, 31), over a length of so many nm."""
    return np.exp(-0.5 * ((WAVELENGTHS_NM[:, None] - WAVELENGTHS_NM) / nm) ** 2)


@dataclass(frozen=True)
class Drawdowns:
    """d drawdowns of one ink: what lies beneath them, and what was measured."""

    film_um: Array  # (d,), inf for the bucket
    back: Array  # (d, 31) beneath the surface
    spectra: Array  # (d, 31) measured, NaN where only Lab
    lab: Array  # (d, 3)
    smooth: Array  # (d, 31) the smoothest spectrum of that Lab, NaN where one was measured
    noise: Array  # (d,) factor on the expected error


def is_spectral(rows: Drawdowns) -> NDArray[np.bool_]:
    """Which drawdowns (d,) were measured as spectra, not as Lab alone."""
    return np.array(np.isfinite(rows.spectra).all(axis=1), bool)


def film_reflectance(theta: Array, rows: Drawdowns) -> Array:
    """Measured reflectance (d, 31) that an ink ``theta`` (62,), or one each (d, 62), would give."""
    K, S = np.exp(theta[..., :N_WAVELENGTHS]), np.exp(theta[..., N_WAVELENGTHS:])
    return card_reflectance(K, S, rows.film_um, rows.back)


def card_reflectance(K: Array, S: Array, film_um: Array, back: Array) -> Array:
    """Measured reflectance (d, 31) of drawdowns.

    Parameters
    ----------
    K, S : (31,) or (d, 31) per um
    film_um : (d,), inf for the bucket
    back : (d, 31) beneath the surface, see :func:`backs_of`
    """
    bucket = np.isinf(film_um)
    X = np.where(bucket, 1.0, film_um)[:, None]
    r = kubelka_munk.reflectance_over(K, S, X, back)
    r[bucket] = np.broadcast_to(kubelka_munk.r_infinity(K, S), r.shape)[bucket]
    return kubelka_munk.through_surface(r) + DRAWDOWN_HAZE


def missed_of(r: Array, share: float) -> Array:
    """Covariance (31, 31) of what theory misses of a reflectance (31,), that ``share`` of it."""
    return share**2 * near(MISSED_NM) * np.outer(r, r)


def linearised(
    theta: Array, rows: Drawdowns, viewing: Viewing, missed: float = 0.0
) -> tuple[list[Array], list[Array], list[Array]]:
    """Residuals, Jacobians (., 62) and covariances, one entry a drawdown; ``missed``: the share of
    a film's reflectance that theory misses."""
    step = 1e-4
    r = film_reflectance(theta, rows)
    shift = np.zeros(2 * N_WAVELENGTHS)
    shift[:N_WAVELENGTHS] = step
    dk = (film_reflectance(theta + shift, rows) - r) / step  # diagonal in wavelength
    ds = (film_reflectance(theta + shift[::-1], rows) - r) / step
    residuals, jacobians, covariances = [], [], []
    for d in range(len(r)):
        jac = np.hstack([np.diag(dk[d]), np.diag(ds[d])])
        dx = (dk[d] + ds[d]) * (0.0 if np.isinf(rows.film_um[d]) else FILM_ERROR)
        off = np.outer(dx, dx) + missed_of(r[d], missed)
        if np.isfinite(rows.spectra[d]).all():
            residual = rows.spectra[d] - r[d]
            reading = READING_FLOOR + READING_SHARE * rows.spectra[d]
            cov = np.diag(reading**2) + off
        else:
            # Lab says little of the spectrum; a smooth one is likelier than a rugged one
            residuals.append(rows.smooth[d] - r[d])
            jacobians.append(jac)
            guess = GUESS_FLOOR + GUESS_SHARE * rows.smooth[d]
            covariances.append(np.diag((guess * rows.noise[d]) ** 2))
            to_lab = lab_jacobian(r[d], viewing)
            jac = to_lab @ jac
            residual = rows.lab[d] - lab_from_reflectance(r[d], viewing)
            cov = LAB_ERROR**2 * np.eye(3) + to_lab @ off @ to_lab.T
        residuals.append(residual)
        jacobians.append(jac)
        covariances.append(cov * rows.noise[d] ** 2)
    return residuals, jacobians, covariances


def readings(
    theta: Array, rows: Drawdowns, viewing: Viewing
) -> tuple[list[Array], list[Array], list[Array]]:
    """:func:`linearised` without the guesses of spectra: one entry a drawdown, in its order."""
    last = np.cumsum(np.where(is_spectral(rows), 1, 2)) - 1
    errors, jacobians, covariances = linearised(theta, rows, viewing)
    return ([errors[i] for i in last], [jacobians[i] for i in last], [covariances[i] for i in last])


def drawdowns_of(
    drawdowns: pd.DataFrame,
    substrates: pd.DataFrame,
    substrate_r: Array,
    viewing: Viewing,
    coated_cards: bool = True,
) -> Drawdowns:
    """Rows of the table of drawdowns, of one ink; the rest as `describe_shelf` takes it."""
    back, cloth = backs_of(drawdowns["substrate_id"], substrates, substrate_r, coated_cards)
    spectra, lab = reflectance_columns(drawdowns), np.array(drawdowns.reindex(columns=LAB), float)
    smooth = np.full_like(spectra, np.nan)
    only_lab = ~np.isfinite(spectra).all(axis=1)
    if only_lab.any():
        smooth[only_lab] = reflectance_from_lab(lab[only_lab], viewing)
    return Drawdowns(
        film_um=drawdowns["film_um"].to_numpy(float),
        back=back,
        spectra=spectra,
        lab=lab,
        smooth=smooth,
        noise=np.where(cloth, CLOTH_NOISE, 1.0),
    )


def backs_of(
    ids: pd.Series, substrates: pd.DataFrame, substrate_r: Array, coated_cards: bool = True
) -> tuple[Array, NDArray[np.bool_]]:
    """What lies beneath drawdowns on the substrates ``ids``: reflectance (d, 31), and whether it
    is cloth (d,)."""
    at = pd.Index(substrates["substrate_id"]).get_indexer(ids)
    back = body_of(substrates, substrate_r, coated_cards)[at]
    cloth = has_pores(substrates)[at]
    back[cloth] = kubelka_munk.wet_out(back[cloth], CLOTH_WET_OUT)
    return back, cloth


def card_errors(
    theta: Array, cards: pd.DataFrame, rows: Drawdowns, viewing: Viewing, missed: float
) -> tuple[Array, Array, Array, NDArray[np.intp]]:
    """What d ``cards``, read as ``rows``, of one ink are off log K and log S ``theta``: (62,), or
    (d, 62) those of each.

    Errors (r,), their derivative (r, 62), their covariance (r, r) and the card of each. Cards of
    one lot and film were laid in one draw. What theory misses, the share ``missed``, is alike
    where the film and what lies beneath are.
    """
    spectral = is_spectral(rows)
    errors, jacobians, covariances = readings(theta, rows, viewing)
    card = np.repeat(np.arange(len(errors)), [len(e) for e in errors])
    covariance = np.asarray(block_diag(*covariances))
    draw = cards.groupby(["ink_lot", "film_um"], dropna=False).ngroup().to_numpy()[card]
    laid = np.isfinite(rows.film_um)[card] * FILM_ERROR * np.vstack(jacobians).sum(axis=1)
    together = (draw[:, None] == draw) & (card[:, None] != card)
    covariance += together * np.outer(laid, laid)
    seen = [  # how each card sees what theory misses of its reflectance
        noise * (np.diag(r) if whole else lab_jacobian(r, viewing) * r)
        for r, noise, whole in zip(film_reflectance(theta, rows), rows.noise, spectral, strict=True)
    ]
    by_card, alike = np.vstack(seen), _alike(rows)[card[:, None], card]
    covariance += missed**2 * alike * (by_card @ near(MISSED_NM) @ by_card.T)
    return np.concatenate(errors), np.vstack(jacobians), covariance, card


def _alike(rows: Drawdowns) -> Array:
    """How alike what theory misses is among drawdowns (d, d)."""
    film = np.log(np.minimum(rows.film_um, BUCKET_UM)) / ALIKE_LOG_FILM
    back = rows.back.mean(axis=1) / ALIKE_BACK
    found: Array = np.exp(-sum(np.abs(x[:, None] - x) for x in (film, back)))
    return found
