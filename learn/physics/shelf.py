"""Describe the shelf: K and S of every ink from its drawdowns, and how sure they are.

Each ink is a Gaussian over (log K, log S) at 31 wavelengths, fitted (`learn.physics.ink_fit`)
to whatever was measured (spectra or Lab, any number of films over any backings, or nothing
at all) under a prior that is smooth over wavelength. Of its 62 x 62 covariance only the
directions that move a print's Lab are carried on. An ink known from spectra over black
and white is sharp; one known from Lab alone, or not at all, is vague, and predictions for
it inherit that. How much theory misses of a film, all cards of a shop say together, by
their evidence.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import block_diag

from learn.colour.colorimetry import WAVELENGTHS_NM, Viewing
from learn.normal import log_density
from learn.physics.drawdowns import (
    N_WAVELENGTHS,
    Drawdowns,
    drawdowns_of,
    film_reflectance,
    lab_columns,
    linearised,
    missed_of,
    near,
)
from learn.physics.ink_fit import APART, InkPrior, fitted, leaves_scatter_open

Array = NDArray[np.floating]

# What theory misses of a film is a share of its reflectance: how large, a shop's own cards say,
# about what is usual. Without it a card's last per cent would say, and surely, how much an ink
# scatters. Found on invented shops; no source.
MISSED = (0.005, 0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.06, 0.08)
USUAL, USUAL_SPREAD = 0.02, 0.7

# Prior of one ink, per um of dry film: level and shape of log K and log S.
# Orders of magnitude of pigmented films 10-100 um thick; common practice, no source.
LOG_K_LEVEL = {"colour": np.log(0.010), "underbase": np.log(0.0006)}
LOG_S_LEVEL = {"colour": np.log(0.015), "underbase": np.log(0.06)}
K_LEVEL_SD, K_SHAPE_SD, K_SHAPE_NM = 1.5, 1.5, 35.0
S_LEVEL_SD, S_SHAPE_SD, S_SHAPE_NM = 1.2, 0.35, 90.0

# Of an ink that may be a dye or a paint, the inks of its role tell as much as they are many against
# so many that may be anything. Chosen on invented shops (`learn.physics.ink_fit`); no source.
UNKNOWN_PEERS = 30

POSTERIOR_DIRECTIONS = 8
BEND_DIRECTIONS = 5


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

    @property
    def blank(self) -> list[str]:
        """Inks of which nothing is measured."""
        known = zip(self.ink_ids, self.known_from, strict=True)
        return [ink for ink, known_from in known if known_from == "nothing"]

    def index(self, ink_ids: pd.Series) -> NDArray[np.intp]:
        """Positions of ``ink_ids`` on the shelf, -1 where the id is missing or unknown."""
        return pd.Index(self.ink_ids).get_indexer(ink_ids)

    def only(self, ink_ids: Iterable[str]) -> Shelf:
        """The shelf with some of its inks."""
        at = self.index(pd.Series(list(ink_ids)))
        return replace(
            self,
            ink_ids=[self.ink_ids[i] for i in at],
            log_k=self.log_k[at],
            log_s=self.log_s[at],
            directions_k=self.directions_k[at],
            directions_s=self.directions_s[at],
            bucket_measured=self.bucket_measured[at],
            known_from=[self.known_from[i] for i in at],
        )


def _smooth_covariance(level_sd: float, shape_sd: float, shape_nm: float) -> Array:
    rough = 1e-4 * np.eye(N_WAVELENGTHS)
    return level_sd**2 + shape_sd**2 * near(shape_nm) + rough


def _prior(mean_k: Array, cov_k: Array, mean_s: Array, cov_s: Array) -> InkPrior:
    covariance = block_diag(cov_k, cov_s)
    return InkPrior(np.concatenate([mean_k, mean_s]), np.linalg.inv(covariance))


def _missed_by(inks: Sequence[tuple[Array, Drawdowns, InkPrior]], viewing: Viewing) -> float:
    """The share that theory misses by which the cards of inks are likeliest: their evidence by the
    tangents at log K and log S (62,) as fitted, and what is usual."""
    shares = np.array(MISSED)
    found = -0.5 * (np.log(shares / USUAL) / USUAL_SPREAD) ** 2
    for theta, rows, prior in inks:
        errors, jacobians, covariances = linearised(theta, rows, viewing)
        if len(errors) > len(rows.film_um):
            continue  # Lab tells too little of the spectrum
        H, r = np.vstack(jacobians), film_reflectance(theta, rows) * rows.noise[:, None]
        away = np.concatenate(errors) + H @ (theta - prior.mean)
        whole = block_diag(*covariances) + H @ np.linalg.solve(prior.precision, H.T)
        alike = block_diag(*(missed_of(one, 1.0) for one in r))
        for i, share in enumerate(shares):
            found[i] += log_density(away, whole + share**2 * alike)
    return float(shares[found.argmax()])


def _effect_on_lab(theta: Array, viewing: Viewing) -> Array:
    """Lab Fisher matrix (62, 62), averaged over the films and backings of real prints."""
    films, backs = np.meshgrid([6.0, 15.0, 35.0], [0.03, 0.35, 0.85])
    rows = Drawdowns(
        film_um=films.ravel(),
        back=np.repeat(backs.reshape(-1, 1), N_WAVELENGTHS, axis=1),
        spectra=np.full((films.size, N_WAVELENGTHS), np.nan),
        lab=np.zeros((films.size, 3)),
        smooth=np.zeros((films.size, N_WAVELENGTHS)),
        noise=np.ones(films.size),
    )
    jac = np.stack(linearised(theta, rows, viewing)[1][1::2])  # the Lab ones
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


def _known_from(rows: Drawdowns) -> str:
    if not len(rows.film_um):
        return "nothing"
    if leaves_scatter_open(rows):
        return "one backing"
    spectral = np.isfinite(rows.spectra).all(axis=1) & np.isfinite(rows.film_um)
    if not spectral.any():
        return "Lab"
    lightness = rows.back[spectral].mean(axis=1)
    return "spectra" if np.ptp(lightness) > APART else "one backing"


def describe_shelf(
    inks: pd.DataFrame,
    drawdowns: pd.DataFrame,
    substrates: pd.DataFrame,
    substrate_r: Array,
    viewing: Viewing,
    *,
    missed: float | None = None,
) -> Shelf:
    """Fit every ink of the shelf to its drawdowns.

    Parameters
    ----------
    inks, drawdowns, substrates : frames of :class:`learn.shop.Shop`
    substrate_r : (n_substrates, 31) measured reflectance in the order of ``substrates``
    viewing : condition of any Lab among the drawdowns
    missed : the share of a film's reflectance that theory misses; None: what the cards say of it
    """
    by_ink = {
        ink: drawdowns_of(rows, substrates, substrate_r, viewing)
        for ink, rows in drawdowns.groupby("ink_id", sort=False)
    }
    nothing = drawdowns_of(drawdowns.iloc[:0], substrates, substrate_r, viewing)
    ids = inks["ink_id"].astype(str).tolist()
    role = dict(zip(ids, inks["role"], strict=True))
    rows = {ink: by_ink.get(ink, nothing) for ink in ids}
    known = {ink: _known_from(rows[ink]) for ink in ids}
    cov_k = _smooth_covariance(K_LEVEL_SD, K_SHAPE_SD, K_SHAPE_NM)
    cov_s = _smooth_covariance(S_LEVEL_SD, S_SHAPE_SD, S_SHAPE_NM)
    ones = np.ones(N_WAVELENGTHS)

    def wide(ink: str) -> InkPrior:
        name = "underbase" if role[ink] == "underbase" else "colour"
        return _prior(LOG_K_LEVEL[name] * ones, cov_k, LOG_S_LEVEL[name] * ones, cov_s)

    plain = [i for i in ids if known[i] == "spectra"]
    share = USUAL if missed is None else missed
    fits = {i: fitted(rows[i], wide(i), viewing, share) for i in plain}
    if missed is None:
        share = _missed_by([(fits[i][0], rows[i], wide(i)) for i in plain], viewing)
        if share != USUAL:
            fits = {i: fitted(rows[i], wide(i), viewing, share) for i in plain}

    def lent(ink: str) -> InkPrior:
        """Where there is Lab alone, or nothing, inks of the same role lend their scattering."""
        alike = np.array([fits[i][0] for i in plain if role[i] == role[ink]])
        if len(alike) < 3:
            return wide(ink)
        mean_k, mean_s = np.split(alike.mean(axis=0), 2)
        return _prior(mean_k, cov_k, mean_s, np.cov(alike[:, N_WAVELENGTHS:].T) + 0.05 * cov_s)

    def among(ink: str, peers: Sequence[str]) -> InkPrior:
        """Where a dye or a paint may be meant, they tell what goes with what."""
        alike = np.array([fits[i][0] for i in peers if role[i] == role[ink]])
        if len(alike) < 3:
            return wide(ink)
        n = len(alike) - 1
        spread = n * np.cov(alike.T) + UNKNOWN_PEERS * block_diag(cov_k, cov_s)
        return InkPrior(alike.mean(axis=0), np.linalg.inv(spread / (n + UNKNOWN_PEERS)))

    shut = [i for i in ids if not leaves_scatter_open(rows[i])]
    fits |= {i: fitted(rows[i], lent(i), viewing, share) for i in shut if i not in fits}
    told = [i for i in shut if known[i] != "nothing"]
    fits |= {i: fitted(rows[i], among(i, told), viewing, share) for i in ids if i not in fits}
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
