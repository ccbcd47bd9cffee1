"""Describe the shelf: K and S of every ink from its drawdowns, and how sure they are.

Each ink is a Gaussian over (log K, log S) at 31 wavelengths: the maximum a posteriori
fit to whatever was measured (spectra or Lab, any number of films over any backings, or
nothing at all) under a prior that is smooth over wavelength, with the Laplace posterior
covariance. Of that 62 x 62 covariance only the directions that move a print's Lab are
carried on. An ink known from spectra over black and white is sharp; one known from Lab
alone, or not at all, is vague, and predictions for it inherit that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
from learn.normal import log_density
from learn.physics import kubelka_munk

Array = NDArray[np.floating]

N_WAVELENGTHS = len(WAVELENGTHS_NM)
SPECTRUM = [f"r{int(nm)}" for nm in WAVELENGTHS_NM]
LAB = ["L", "a", "b"]

# What a drawdown's reading may be off: a share of the reading plus a floor, and the film
# that was laid against the film that was meant.
READING_SHARE = 0.010
READING_FLOOR = 0.0015
# A drawdown's own haze is part of its reading: a card is smoother than a print.
DRAWDOWN_HAZE = 0.002
FILM_ERROR = 0.03
LAB_ERROR = 0.5
# What two fluxes and one surface miss of a film: a share of its reflectance, alike at neighbouring
# wavelengths; how large, a shop's own cards say, about what is usual. Without it a card's last per
# cent would say, and surely, how much an ink scatters. Found on invented shops; no source.
MISSED = (0.005, 0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.06, 0.08)
MISSED_NM, MISSED_USUAL, MISSED_SPREAD = 200.0, 0.02, 0.7
# How far a real spectrum may lie from the smoothest one of its Lab.
GUESS_SHARE, GUESS_FLOOR = 0.20, 0.02
# Cloth takes a drawdown less evenly than a card does; what wetting it costs is a guess.
CLOTH_WET_OUT = 0.35
CLOTH_NOISE = 2.0

# Prior of one ink, per um of dry film: level and shape of log K and log S.
# Orders of magnitude of pigmented films 10-100 um thick; common practice, no source.
LOG_K_LEVEL = {"colour": np.log(0.010), "underbase": np.log(0.0006)}
LOG_S_LEVEL = {"colour": np.log(0.015), "underbase": np.log(0.06)}
K_LEVEL_SD, K_SHAPE_SD, K_SHAPE_NM = 1.5, 1.5, 35.0
S_LEVEL_SD, S_SHAPE_SD, S_SHAPE_NM = 1.2, 0.35, 90.0

POSTERIOR_DIRECTIONS = 8
BEND_DIRECTIONS = 5


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


def body_of(substrates: pd.DataFrame, substrate_r: Array) -> Array:
    """Reflectance (n, 31) that an ink laid on the substrate has behind it.

    Ink takes the place of a card's surface; cloth has none, and is measured as it is.
    """
    cloth = has_pores(substrates)[:, None]
    body = np.where(cloth, substrate_r, kubelka_munk.beneath_surface(substrate_r))
    return np.clip(body, 0.0, 0.995)


@dataclass(frozen=True)
class Shelf:
    """K and S of m inks, and the q directions in which each of them is uncertain.

    ``log_k + weights @ directions_k`` with standard normal ``weights`` (q,) is a draw of
    an ink's log K (31,) - likewise log S. The first ``POSTERIOR_DIRECTIONS`` carry what
    the drawdowns leave open; the rest are smooth bends of log K and log S whose size the
    print history decides (unit variance here).
    """

    ink_ids: list[str]
    log_k: Array  # (m, 31), K per um
    log_s: Array  # (m, 31), S per um
    directions_k: Array  # (m, q, 31)
    directions_s: Array  # (m, q, 31)
    bucket_measured: Array  # (m, 3) Lab, NaN where no bucket was measured
    known_from: list[str]  # "spectra", "one backing", "Lab" or "nothing"
    missed: float  # share of a film's reflectance that theory misses, by the cards

    def index(self, ink_ids: pd.Series) -> NDArray[np.intp]:
        """Positions of ``ink_ids`` on the shelf, -1 where the id is missing or unknown."""
        return pd.Index(self.ink_ids).get_indexer(ink_ids)


def _near(nm: float) -> Array:
    """How alike wavelengths are, (31, 31), over a length of so many nm."""
    return np.exp(-0.5 * ((WAVELENGTHS_NM[:, None] - WAVELENGTHS_NM) / nm) ** 2)


def _smooth_covariance(level_sd: float, shape_sd: float, shape_nm: float) -> Array:
    rough = 1e-4 * np.eye(N_WAVELENGTHS)
    return level_sd**2 + shape_sd**2 * _near(shape_nm) + rough


@dataclass(frozen=True)
class _Prior:
    mean: Array  # (62,)
    precision: Array  # (62, 62)


def _prior(mean_k: Array, cov_k: Array, mean_s: Array, cov_s: Array) -> _Prior:
    cov = np.zeros((2 * N_WAVELENGTHS,) * 2)
    cov[:N_WAVELENGTHS, :N_WAVELENGTHS] = cov_k
    cov[N_WAVELENGTHS:, N_WAVELENGTHS:] = cov_s
    return _Prior(np.concatenate([mean_k, mean_s]), np.linalg.inv(cov))


@dataclass(frozen=True)
class _Drawdowns:
    film_um: Array  # (d,), inf for the bucket
    back: Array  # (d, 31) beneath the surface
    spectra: Array  # (d, 31) measured, NaN where only Lab
    lab: Array  # (d, 3)
    smooth: Array  # (d, 31) the smoothest spectrum of that Lab, NaN where one was measured
    noise: Array  # (d,) factor on the expected error


def _film_reflectance(theta: Array, rows: _Drawdowns) -> Array:
    """Measured reflectance (d, 31) that an ink ``theta`` (62,) would give."""
    K, S = np.exp(theta[:N_WAVELENGTHS]), np.exp(theta[N_WAVELENGTHS:])
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
    return share**2 * _near(MISSED_NM) * np.outer(r, r)


def _linearised(
    theta: Array, rows: _Drawdowns, viewing: Viewing, missed: float = 0.0
) -> tuple[list[Array], list[Array], list[Array]]:
    """Residuals, Jacobians (., 62) and covariances, one entry a drawdown; ``missed``: the share of
    a film's reflectance that theory misses."""
    step = 1e-4
    r = _film_reflectance(theta, rows)
    shift = np.zeros_like(theta)
    shift[:N_WAVELENGTHS] = step
    dk = (_film_reflectance(theta + shift, rows) - r) / step  # diagonal in wavelength
    ds = (_film_reflectance(theta + shift[::-1], rows) - r) / step
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


def _fit_one(
    rows: _Drawdowns, prior: _Prior, viewing: Viewing, missed: float, iterations: int = 60
) -> tuple[Array, Array]:
    """MAP (62,) and Laplace covariance (62, 62) by Levenberg-Marquardt."""

    def misfit(theta: Array, errors: list[Array], covariances: list[Array]) -> float:
        away = prior.mean - theta
        pairs = zip(errors, covariances, strict=True)
        return float(
            away @ prior.precision @ away + sum(e @ np.linalg.solve(c, e) for e, c in pairs)
        )

    theta, damping = prior.mean.copy(), 1.0
    curvature = prior.precision
    errors, jacobians, covariances = _linearised(theta, rows, viewing, missed)
    for _ in range(iterations if errors else 0):
        gradient, curvature = prior.precision @ (prior.mean - theta), prior.precision.copy()
        for e, J, cov in zip(errors, jacobians, covariances, strict=True):
            solved = np.linalg.solve(cov, np.column_stack([e, J]))
            gradient += J.T @ solved[:, 0]
            curvature += J.T @ solved[:, 1:]
        here = misfit(theta, errors, covariances)
        while damping < 1e8:
            step = np.linalg.solve(curvature + damping * np.diag(np.diag(curvature)), gradient)
            step *= min(1.0, 2.0 / np.abs(step).max())
            trial = np.clip(theta + step, np.log(1e-7), np.log(50.0))
            moved = _linearised(trial, rows, viewing, missed)
            # under the same covariances, else a step could pay by making itself vague
            gain = here - misfit(trial, moved[0], covariances)
            if gain > 0:
                break
            damping *= 5
        else:
            break
        theta, (errors, jacobians, covariances) = trial, moved
        damping = max(damping / 5, 1e-8)
        if gain < 1e-5 * (1 + here):
            break
    return theta, np.linalg.inv(curvature)


def _most_likely(inks: Sequence[tuple[Array, _Drawdowns, _Prior]], viewing: Viewing) -> float:
    """The share that theory misses by which the cards of inks are likeliest: their evidence by the
    tangents at log K and log S (62,) as fitted, and what is usual."""
    shares = np.array(MISSED)
    found = -0.5 * (np.log(shares / MISSED_USUAL) / MISSED_SPREAD) ** 2
    for theta, rows, prior in inks:
        errors, jacobians, covariances = _linearised(theta, rows, viewing)
        if len(errors) > len(rows.film_um):
            continue  # Lab tells too little of the spectrum
        H, r = np.vstack(jacobians), _film_reflectance(theta, rows) * rows.noise[:, None]
        away = np.concatenate(errors) + H @ (theta - prior.mean)
        whole = block_diag(*covariances) + H @ np.linalg.solve(prior.precision, H.T)
        alike = block_diag(*(missed_of(one, 1.0) for one in r))
        for i, share in enumerate(shares):
            found[i] += log_density(away, whole + share**2 * alike)
    return float(shares[found.argmax()])


def _effect_on_lab(theta: Array, viewing: Viewing) -> Array:
    """Lab Fisher matrix (62, 62), averaged over the films and backings of real prints."""
    films, backs = np.meshgrid([6.0, 15.0, 35.0], [0.03, 0.35, 0.85])
    rows = _Drawdowns(
        film_um=films.ravel(),
        back=np.repeat(backs.reshape(-1, 1), N_WAVELENGTHS, axis=1),
        spectra=np.full((films.size, N_WAVELENGTHS), np.nan),
        lab=np.zeros((films.size, 3)),
        smooth=np.zeros((films.size, N_WAVELENGTHS)),
        noise=np.ones(films.size),
    )
    jac = np.stack(_linearised(theta, rows, viewing)[1][1::2])  # the Lab ones
    return np.einsum("dci,dcj->ij", jac, jac) / films.size


def bend_basis() -> Array:
    """Smooth bends over wavelength (5, 31): a level and cosines of falling size."""
    x = (WAVELENGTHS_NM - WAVELENGTHS_NM[0]) / np.ptp(WAVELENGTHS_NM)
    order = np.arange(BEND_DIRECTIONS)
    return np.cos(np.pi * order[:, None] * x) / (1 + 0.25 * order[:, None])


def _directions(theta: Array, cov: Array, viewing: Viewing) -> tuple[Array, Array]:
    """The posterior directions that matter to Lab, then the bends: (q, 31) twice."""
    root = np.linalg.cholesky(cov + 1e-10 * np.eye(len(cov)))
    _, vectors = np.linalg.eigh(root.T @ _effect_on_lab(theta, viewing) @ root)
    leading = (root @ vectors[:, ::-1][:, :POSTERIOR_DIRECTIONS]).T
    bends = bend_basis()
    zero = np.zeros_like(bends)
    k = np.vstack([leading[:, :N_WAVELENGTHS], bends, zero])
    s = np.vstack([leading[:, N_WAVELENGTHS:], zero, bends])
    return k, s


def _rows_of(
    drawdowns: pd.DataFrame, substrates: pd.DataFrame, substrate_r: Array, viewing: Viewing
) -> _Drawdowns:
    back, cloth = backs_of(drawdowns["substrate_id"], substrates, substrate_r)
    spectra, lab = reflectance_columns(drawdowns), np.array(drawdowns.reindex(columns=LAB), float)
    smooth = np.full_like(spectra, np.nan)
    only_lab = ~np.isfinite(spectra).all(axis=1)
    if only_lab.any():
        smooth[only_lab] = reflectance_from_lab(lab[only_lab], viewing)
    return _Drawdowns(
        film_um=drawdowns["film_um"].to_numpy(float),
        back=back,
        spectra=spectra,
        lab=lab,
        smooth=smooth,
        noise=np.where(cloth, CLOTH_NOISE, 1.0),
    )


def backs_of(
    ids: pd.Series, substrates: pd.DataFrame, substrate_r: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """What lies beneath drawdowns on the substrates ``ids``: reflectance (d, 31), and whether it
    is cloth (d,)."""
    at = pd.Index(substrates["substrate_id"]).get_indexer(ids)
    back = body_of(substrates, substrate_r)[at]
    cloth = has_pores(substrates)[at]
    back[cloth] = kubelka_munk.wet_out(back[cloth], CLOTH_WET_OUT)
    return back, cloth


def card_errors(
    theta: Array,
    drawdowns: pd.DataFrame,
    substrates: pd.DataFrame,
    substrate_r: Array,
    viewing: Viewing,
) -> tuple[Array, Array, Array]:
    """What drawdowns of one ink are off log K and log S ``theta`` (62,): errors (r,), their
    derivative (r, 62) and covariance (r, r), but for what theory misses of them. Cards of one film
    were laid in one draw."""
    rows = _rows_of(drawdowns, substrates, substrate_r, viewing)
    errors, jacobians, covariances = _linearised(theta, rows, viewing)
    of_lab = ~np.isfinite(rows.spectra).all(axis=1)
    film = np.repeat(rows.film_um, np.where(of_lab, 2, 1))  # an entry each, two where only Lab
    laid = [np.where(np.isfinite(x), FILM_ERROR, 0.0) * J.sum(axis=1)
            for x, J in zip(film, jacobians, strict=True)]  # fmt: skip
    covariance = np.asarray(block_diag(*covariances))
    draw = np.repeat(film, [len(e) for e in errors])
    entry = np.repeat(np.arange(len(errors)), [len(e) for e in errors])
    together = (draw[:, None] == draw) & (entry[:, None] != entry)
    along = np.concatenate(laid)
    covariance += together * np.outer(along, along)
    return np.concatenate(errors), np.vstack(jacobians), covariance


def _known_from(rows: _Drawdowns) -> str:
    if not len(rows.film_um):
        return "nothing"
    spectral = np.isfinite(rows.spectra).all(axis=1) & np.isfinite(rows.film_um)
    if not spectral.any():
        return "Lab" if np.isnan(rows.spectra).any() else "one backing"
    lightness = rows.back[spectral].mean(axis=1)
    # K and S cannot be told apart unless one backing is bright and one truly dark
    return "spectra" if np.ptp(lightness) > 0.3 else "one backing"


def describe_shelf(
    inks: pd.DataFrame,
    drawdowns: pd.DataFrame,
    substrates: pd.DataFrame,
    substrate_r: Array,
    viewing: Viewing,
    beside: Mapping[str, Array] | None = None,
    *,
    missed: float | None = None,
) -> Shelf:
    """Fit every ink of the shelf to its drawdowns.

    Parameters
    ----------
    inks, drawdowns, substrates : frames of :class:`learn.shop.Shop`
    substrate_r : (n_substrates, 31) measured reflectance in the order of ``substrates``
    viewing : condition of any Lab among the drawdowns
    beside : role -> (m, 62) log K and log S of inks described before, by spectra
    missed : the share of a film's reflectance that theory misses; None: what the cards say of it
    """
    by_ink = {
        ink: _rows_of(rows, substrates, substrate_r, viewing)
        for ink, rows in drawdowns.groupby("ink_id", sort=False)
    }
    nothing = _rows_of(drawdowns.iloc[:0], substrates, substrate_r, viewing)
    ids = inks["ink_id"].astype(str).tolist()
    role = dict(zip(ids, inks["role"], strict=True))
    rows = {ink: by_ink.get(ink, nothing) for ink in ids}
    known = {ink: _known_from(rows[ink]) for ink in ids}
    cov_k = _smooth_covariance(K_LEVEL_SD, K_SHAPE_SD, K_SHAPE_NM)
    cov_s = _smooth_covariance(S_LEVEL_SD, S_SHAPE_SD, S_SHAPE_NM)
    ones = np.ones(N_WAVELENGTHS)

    def wide(ink: str) -> _Prior:
        name = "underbase" if role[ink] == "underbase" else "colour"
        return _prior(LOG_K_LEVEL[name] * ones, cov_k, LOG_S_LEVEL[name] * ones, cov_s)

    plain = [i for i in ids if known[i] == "spectra"]
    share = MISSED_USUAL if missed is None else missed
    fits = {i: _fit_one(rows[i], wide(i), viewing, share) for i in plain}
    if missed is None:
        share = _most_likely([(fits[i][0], rows[i], wide(i)) for i in plain], viewing)
        if share != MISSED_USUAL:
            fits = {i: _fit_one(rows[i], wide(i), viewing, share) for i in plain}

    def pooled(ink: str) -> _Prior:
        """Where the drawdowns say little, inks of the same role lend their scattering."""
        alike = [*(beside or {}).get(role[ink], ())]
        alike += [fits[i][0] for i in fits if role[i] == role[ink]]
        if len(alike) < 3:
            return wide(ink)
        peers = np.stack(alike)
        spread = np.cov(peers[:, N_WAVELENGTHS:].T) + 0.05 * cov_s
        return _prior(
            peers[:, :N_WAVELENGTHS].mean(axis=0),
            cov_k,
            peers[:, N_WAVELENGTHS:].mean(axis=0),
            spread,
        )

    vague = [i for i in ids if known[i] != "spectra"]
    fits |= {i: _fit_one(rows[i], pooled(i), viewing, share) for i in vague}
    theta = np.stack([fits[i][0] for i in ids])
    directions = [_directions(*fits[i], viewing) for i in ids]
    bucket = np.full((len(ids), 3), np.nan)
    wells = drawdowns[np.isinf(drawdowns["film_um"].to_numpy(float))]
    if len(wells):
        lab = pd.DataFrame(lab_columns(wells, viewing), index=wells["ink_id"].to_numpy())
        lab = lab.groupby(level=0).mean()
        at = pd.Index(ids).get_indexer(lab.index)
        bucket[at[at >= 0]] = lab.to_numpy()[at >= 0]
    return Shelf(
        ink_ids=ids,
        log_k=theta[:, :N_WAVELENGTHS],
        log_s=theta[:, N_WAVELENGTHS:],
        directions_k=np.stack([d[0] for d in directions]),
        directions_s=np.stack([d[1] for d in directions]),
        bucket_measured=bucket,
        known_from=[known[i] for i in ids],
        missed=share,
    )
