"""Describe the shelf: K and S of every ink from its drawdowns, and how sure they are.

Each ink is a Gaussian over (log K, log S) at 31 wavelengths, fitted (`learn.physics.ink_fit`)
to whatever was measured (spectra or Lab, any number of films over any backings, or nothing
at all) under a prior that is smooth over wavelength. Of its 62 x 62 covariance only the
directions that move a print's Lab are carried on. An ink known from spectra over black
and white is sharp; one known from Lab alone, or not at all, is vague, and predictions for
it inherit that. How much theory misses of a film, and whether cards are coated, all cards of a shop
say together (`learn.physics.card_evidence`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import block_diag

from learn.colour.colorimetry import WAVELENGTHS_NM, Viewing
from learn.physics.card_evidence import USUAL, evidence, missed_by
from learn.physics.drawdowns import (
    N_WAVELENGTHS,
    Drawdowns,
    drawdowns_of,
    is_spectral,
    lab_columns,
    linearised,
    near,
)
from learn.physics.ink_fit import APART, InkPrior, fitted, leaves_scatter_open

Array = NDArray[np.floating]

# Prior of one ink, per um of dry film: level and shape of log K and log S.
# Orders of magnitude of pigmented films 10-100 um thick; common practice, no source.
LOG_K_LEVEL = {"colour": np.log(0.010), "underbase": np.log(0.0006)}
LOG_S_LEVEL = {"colour": np.log(0.015), "underbase": np.log(0.06)}
K_LEVEL_SD, K_SHAPE_SD, K_SHAPE_NM = 1.5, 1.5, 35.0
S_LEVEL_SD, S_SHAPE_SD, S_SHAPE_NM = 1.2, 0.35, 90.0

# Of an ink that may be a dye or a paint, the inks of its role tell as much as they are many against
# so many that may be anything. Chosen on invented shops (`learn.physics.ink_fit`); no source.
UNKNOWN_PEERS = 30

# Whether cards are coated so many inks are asked, at most and at least, and these say surely, by
# this log of odds, that they are not.
ASKED, LEAST_ASKED, SURELY = 10, 4, 3.0

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


COV_K = _smooth_covariance(K_LEVEL_SD, K_SHAPE_SD, K_SHAPE_NM)
COV_S = _smooth_covariance(S_LEVEL_SD, S_SHAPE_SD, S_SHAPE_NM)


def _prior(mean_k: Array, cov_k: Array, mean_s: Array, cov_s: Array) -> InkPrior:
    covariance = block_diag(cov_k, cov_s)
    return InkPrior(np.concatenate([mean_k, mean_s]), np.linalg.inv(covariance))


def _wide(role: str) -> InkPrior:
    """What an ink of that role may be before anything is measured."""
    name, ones = "underbase" if role == "underbase" else "colour", np.ones(N_WAVELENGTHS)
    return _prior(LOG_K_LEVEL[name] * ones, COV_K, LOG_S_LEVEL[name] * ones, COV_S)


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
    spectral = is_spectral(rows) & np.isfinite(rows.film_um)
    if not spectral.any():
        return "Lab"
    lightness = rows.back[spectral].mean(axis=1)
    return "spectra" if np.ptp(lightness) > APART else "one backing"


def _by_ink(
    drawdowns: pd.DataFrame,
    substrates: pd.DataFrame,
    substrate_r: Array,
    viewing: Viewing,
    coated_cards: bool,
) -> dict[str, Drawdowns]:
    return {
        ink: drawdowns_of(rows, substrates, substrate_r, viewing, coated_cards)
        for ink, rows in drawdowns.groupby("ink_id", sort=False)
    }


def are_coated(
    inks: pd.DataFrame,
    drawdowns: pd.DataFrame,
    substrates: pd.DataFrame,
    substrate_r: Array,
    viewing: Viewing,
) -> bool:
    """Whether the cards of a shop are coated: by what inks over bright and over dark ones read, and
    if these do not tell, yes. As :func:`describe_shelf` otherwise.

    The surface of an ink takes the place of a coated card's own; a matt card has none, and a white
    one is darker beneath ink than it is taken for. Nobody writes down which it is.
    """
    role = dict(zip(inks["ink_id"].astype(str), inks["role"], strict=True))
    drawn = drawdowns[drawdowns["ink_id"].isin(role)]
    coated, matt = (_by_ink(drawn, substrates, substrate_r, viewing, c) for c in (True, False))
    asked = [ink for ink, rows in coated.items() if not leaves_scatter_open(rows)][:ASKED]

    def told(by_ink: Mapping[str, Drawdowns]) -> float:
        read = []
        for ink in asked:
            rows, prior = by_ink[ink], _wide(role[ink])
            read.append((fitted(rows, prior, viewing, USUAL)[0], rows, prior))
        return float(evidence(read, viewing, np.array([USUAL]))[0])

    return len(asked) < LEAST_ASKED or told(matt) - told(coated) < SURELY


def describe_shelf(
    inks: pd.DataFrame,
    drawdowns: pd.DataFrame,
    substrates: pd.DataFrame,
    substrate_r: Array,
    viewing: Viewing,
    *,
    coated_cards: bool = True,
    missed: float | None = None,
) -> Shelf:
    """Fit every ink of the shelf to its drawdowns.

    Parameters
    ----------
    inks, drawdowns, substrates : frames of :class:`learn.shop.Shop`
    substrate_r : (n_substrates, 31) measured reflectance in the order of ``substrates``
    viewing : condition of any Lab among the drawdowns
    coated_cards : whether ink takes the place of a card's own surface, see :func:`are_coated`
    missed : the share of a film's reflectance that theory misses; None: what the cards say of it
    """
    by_ink = _by_ink(drawdowns, substrates, substrate_r, viewing, coated_cards)
    nothing = drawdowns_of(drawdowns.iloc[:0], substrates, substrate_r, viewing)
    ids = inks["ink_id"].astype(str).tolist()
    role = dict(zip(ids, inks["role"], strict=True))
    rows = {ink: by_ink.get(ink, nothing) for ink in ids}
    known = {ink: _known_from(rows[ink]) for ink in ids}

    def wide(ink: str) -> InkPrior:
        return _wide(role[ink])

    plain = [i for i in ids if known[i] == "spectra"]
    share = USUAL if missed is None else missed
    fits = {i: fitted(rows[i], wide(i), viewing, share) for i in plain}
    if missed is None:
        share = missed_by([(fits[i][0], rows[i], wide(i)) for i in plain], viewing)
        if share != USUAL:
            fits = {i: fitted(rows[i], wide(i), viewing, share) for i in plain}

    def lent(ink: str) -> InkPrior:
        """Where there is Lab alone, or nothing, inks of the same role lend their scattering."""
        alike = np.array([fits[i][0] for i in plain if role[i] == role[ink]])
        if len(alike) < 3:
            return wide(ink)
        mean_k, mean_s = np.split(alike.mean(axis=0), 2)
        return _prior(mean_k, COV_K, mean_s, np.cov(alike[:, N_WAVELENGTHS:].T) + 0.05 * COV_S)

    def among(ink: str, peers: Sequence[str]) -> InkPrior:
        """Where a dye or a paint may be meant, they tell what goes with what."""
        alike = np.array([fits[i][0] for i in peers if role[i] == role[ink]])
        if len(alike) < 3:
            return wide(ink)
        n = len(alike) - 1
        spread = n * np.cov(alike.T) + UNKNOWN_PEERS * block_diag(COV_K, COV_S)
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
