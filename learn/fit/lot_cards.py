"""Cards of a lot: drawdowns of one batch of ink, which tell it from the batch first drawn down.

A card is held against the ink's own cards, both by the optics of a drawdown. What these miss of a
film drops out, for the ink's own card of it missed as much; the less so the further apart the films
are. It tells by how much the batch differs in strength, in the turn of its hue and in its white,
and so narrows a batch before any print of it.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import Viewing
from learn.physics.drawdowns import Drawdowns, card_errors, drawdowns_of
from learn.physics.print_model import SHAPES
from learn.physics.shelf import POSTERIOR_DIRECTIONS, Shelf

if TYPE_CHECKING:
    from learn.shop import Shop

Array = NDArray[np.floating]

LATENTS = ("strength", *SHAPES, "scattering")
# How far off a lot is sought in each latent, so that one card over white settles on something;
# taken out of what it says again.
SOUGHT_SD = 0.3
STEPS = 6


class LotCard(NamedTuple):
    """What the cards of one lot say of it, of `LATENTS`: beside the ink's own cards, or by itself
    once a model has taken it in (`learn.fit.update.with_cards`)."""

    ink: str
    lot: str
    beside: str | None  # the lot of the ink's own cards; None: not told
    information: Array  # (4, 4) inverse covariance
    told: Array  # (4,) information times the mean

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


def as_usual(drawdowns: pd.DataFrame, lots: Collection[tuple[str, str]]) -> pd.DataFrame:
    """A draw of each of ``lots`` (ink, lot) that reads as the ink's own cards of one film do: rows
    of ``drawdowns``; none of an ink without such."""
    films = drawdowns[describing(drawdowns) & np.isfinite(drawdowns["film_um"].to_numpy(float))]
    first = films["film_um"] == films.groupby("ink_id")["film_um"].transform("first")
    asked = pd.DataFrame(list(lots), columns=["ink_id", "ink_lot"])
    return films[first].drop(columns="ink_lot", errors="ignore").merge(asked, on="ink_id")


def lot_cards(
    shop: Shop,
    shelf: Shelf,
    substrate_r: Array,
    viewing: Viewing,
    coated_cards: bool = True,
    but: Collection[str] = (),
) -> list[LotCard]:
    """What the shop's cards say of lots, those of the levels ``but`` and of inks that are not on
    the ``shelf`` left out. ``substrate_r``: (n_substrates, 31) in the order of
    ``shop.substrates``."""
    cards, own = shop.drawdowns, describing(shop.drawdowns)
    if own.all():
        return []
    beside = dict(cards[own].groupby("ink_id")["ink_lot"].first())
    found = []
    for (ink, lot), rows in cards[~own].groupby(["ink_id", "ink_lot"], sort=True):
        ink, lot = str(ink), str(lot)
        if ink not in shelf.ink_ids or level_of(ink, lot) in but:
            continue
        both = pd.concat([cards[own & (cards["ink_id"] == ink).to_numpy()], rows])
        is_own = np.arange(len(both)) < len(both) - len(rows)
        read = drawdowns_of(both, shop.substrates, substrate_r, viewing, coated_cards)
        information, told = _difference(shelf, ink, both, read, is_own, viewing)
        found.append(LotCard(ink, lot, beside.get(ink), information, told))
    return found


def _difference(
    shelf: Shelf,
    ink: str,
    cards: pd.DataFrame,
    read: Drawdowns,
    own: NDArray[np.bool_],
    viewing: Viewing,
) -> tuple[Array, Array]:
    """Information (4, 4) and what it tells (4,) of the `LATENTS` of a lot, by Gauss-Newton, of d
    ``cards`` of which some are the ink's ``own``.

    What the own cards are off their fit, the lot's are off too where they are like them: what is
    left is conditioned on it (a Gaussian given another: Rasmussen & Williams 2006, A.2). Their fit
    leaves `POSTERIOR_DIRECTIONS` open.
    """
    at = shelf.ink_ids.index(ink)
    theta = np.concatenate([shelf.log_k[at], shelf.log_s[at]])
    directions = np.hstack([shelf.directions_k[at], shelf.directions_s[at]])
    vague = directions[:POSTERIOR_DIRECTIONS].T
    n = len(theta) // 2
    along = np.zeros((2 * n, len(LATENTS)))
    along[:n, 0] = 1.0
    along[:n, 1:-1] = np.column_stack(list(SHAPES.values()))
    along[n:, -1] = 1.0
    found: Array = np.zeros(len(LATENTS))
    sought = np.eye(len(LATENTS)) / SOUGHT_SD**2
    for _ in range(STEPS):
        thetas = theta + np.outer(~own, along @ found)
        error, by_theta, covariance, card = card_errors(thetas, cards, read, viewing, shelf.missed)
        o, m = own[card], ~own[card]
        carried = np.linalg.solve(covariance[np.ix_(o, o)], covariance[np.ix_(o, m)]).T
        left = covariance[np.ix_(m, m)] - carried @ covariance[np.ix_(o, m)]
        H, D = by_theta[m] @ along, (by_theta[m] - carried @ by_theta[o]) @ vague
        e = error[m] - carried @ error[o]
        solved = np.linalg.solve(left + D @ D.T, np.column_stack([H, e]))
        information = H.T @ solved[:, :-1]
        told = H.T @ solved[:, -1] + information @ found
        found = np.linalg.solve(information + sought, told)
    return (information + information.T) / 2, told
