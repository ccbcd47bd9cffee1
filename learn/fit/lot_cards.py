"""Cards of a lot: drawdowns of one batch of ink, which tell it from the batch first drawn down.

A card is held against the ink's own cards, both by the optics of a drawdown: what these have wrong
drops out, the less so the further apart the films are, when as much may be left as the prints of
the ink have bent what its cards say. It tells by how much the batch differs in strength, in the
turn of its hue and in its white, and so narrows a batch before any print of it.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import Viewing
from learn.physics.drawdowns import card_errors
from learn.physics.print_model import SHAPES
from learn.physics.shelf import BEND_DIRECTIONS, POSTERIOR_DIRECTIONS, Shelf, describe_shelf

if TYPE_CHECKING:
    from learn.shop import Shop

Array = NDArray[np.floating]

LATENTS = ("strength", *SHAPES, "scattering")
# How far off a lot is sought in each latent, so that one card over white settles on something;
# taken out of what it says again.
SOUGHT_SD = 0.3
STEPS = 6


class LotCard(NamedTuple):
    """What the cards of one lot say of it, of `LATENTS`, beside the ink's own cards."""

    ink: str
    lot: str
    beside: str | None  # the lot of the ink's own cards; None: not told
    information: Array  # (4, 4) inverse covariance of the difference
    told: Array  # (4,) information times the difference

    @property
    def level(self) -> str:
        """The lot as `learn.fit.encoding` names it."""
        return level_of(self.ink, self.lot)


def level_of(ink: str, lot: str) -> str:
    """A lot as `learn.fit.encoding` names it."""
    return f"{ink}\x1f{lot}"


def describing(drawdowns: pd.DataFrame) -> NDArray[np.bool_]:
    """The drawdowns (n,) that describe an ink, not one of its lots: those that name no lot and,
    of an ink without such, those of the lot that comes first."""
    if "ink_lot" not in drawdowns:
        return np.ones(len(drawdowns), bool)
    plain = drawdowns["ink_lot"].isna().to_numpy()
    ink = drawdowns["ink_id"]
    first = drawdowns["ink_lot"].groupby(ink).transform("first")
    without = ~ink.isin(ink[plain]).to_numpy()
    return plain | (without & (drawdowns["ink_lot"] == first).to_numpy())


def lot_cards(
    shop: Shop,
    shelf: Shelf,
    bend_sd: Array,
    substrate_r: Array,
    viewing: Viewing,
    but: Collection[str] = (),
) -> list[LotCard]:
    """What the shop's cards say of lots, those of the levels ``but`` and of inks that are not on
    the ``shelf`` left out.

    ``bend_sd``: (m, 2) of the bends of log K and log S of every ink of the shelf;
    ``substrate_r``: (n_substrates, 31) in the order of ``shop.substrates``.
    """
    cards, own = shop.drawdowns, describing(shop.drawdowns)
    if own.all():
        return []
    beside = dict(cards[own].groupby("ink_id")["ink_lot"].first())
    asked = [
        (str(ink), str(lot), rows)
        for (ink, lot), rows in cards[~own].groupby(["ink_id", "ink_lot"], sort=True)
        if ink in shelf.ink_ids and level_of(str(ink), str(lot)) not in but
    ]
    if not asked:
        return []
    # what theory misses of the ink's own cards it misses of the lot's as well
    near = describe_shelf(shop.inks, cards[own], shop.substrates, substrate_r, viewing, missed=0.0)
    found = []
    for ink, lot, rows in asked:
        at, of = shelf.ink_ids.index(ink), near.ink_ids.index(ink)
        films = cards.loc[own & (cards["ink_id"] == ink).to_numpy(), "film_um"]
        vague = _vague(near, of, bend_sd[at] * _apart(rows["film_um"], films))
        theta = np.concatenate([near.log_k[of], near.log_s[of]])
        information, told = _difference(theta, vague, rows, shop, substrate_r, viewing)
        found.append(LotCard(ink, lot, beside.get(ink), information, told))
    return found


def _apart(films: pd.Series, own: pd.Series) -> float:
    """How far the films of a lot's cards lie from the nearest of the ink's own: mean of logs, each
    1 at the most."""
    with np.errstate(invalid="ignore", divide="ignore"):
        gap = np.abs(np.log(films.to_numpy(float)[:, None] / own.to_numpy(float)))
    gap = np.where(np.isnan(gap), 0.0, np.minimum(gap, 1.0))  # both in the bucket
    return float(gap.min(axis=1).mean())


def _vague(shelf: Shelf, at: int, bend_sd: Array) -> Array:
    """What is open of log K and log S of an ink in a drawdown, (62, q): what its own cards leave
    open, their film among that, and bends."""
    size = np.ones(shelf.directions_k.shape[1])
    size[POSTERIOR_DIRECTIONS:] = np.repeat(bend_sd, BEND_DIRECTIONS)
    vague: Array = size * np.hstack([shelf.directions_k[at], shelf.directions_s[at]]).T
    return vague


def _difference(
    theta: Array,
    vague: Array,
    rows: pd.DataFrame,
    shop: Shop,
    substrate_r: Array,
    viewing: Viewing,
) -> tuple[Array, Array]:
    """Information (4, 4) and what it tells (4,) of the `LATENTS` of a lot, by Gauss-Newton;
    ``theta`` (62,) of its ink, known but for ``vague`` (62, q)."""
    n = len(theta) // 2
    along = np.zeros((2 * n, len(LATENTS)))
    along[:n, 0] = 1.0
    along[:n, 1:-1] = np.column_stack(list(SHAPES.values()))
    along[n:, -1] = 1.0
    found: Array = np.zeros(len(LATENTS))
    sought = np.eye(len(LATENTS)) / SOUGHT_SD**2
    for _ in range(STEPS):
        error, by_theta, covariance = card_errors(
            theta + along @ found, rows, shop.substrates, substrate_r, viewing
        )
        H, D = by_theta @ along, by_theta @ vague
        solved = np.linalg.solve(covariance + D @ D.T, np.column_stack([H, error]))
        information = H.T @ solved[:, :-1]
        told = H.T @ solved[:, -1] + information @ found
        found = np.linalg.solve(information + sought, told)
    return (information + information.T) / 2, told
