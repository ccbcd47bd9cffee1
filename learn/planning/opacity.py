"""Each ink's opacity at the film a shop usually lays, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from learn.normal import Z90
from learn.physics.opacity import show_through
from learn.shop import SETUP_COLUMNS

if TYPE_CHECKING:
    from learn.predict.protocol import MixModel

Array = NDArray[np.floating]

BOTH = ("spectra", "Lab")  # what an ink is known from whose cards lie over bright and over dark
# A ratio is off by so much more than cards leave open. Chosen on 34 shops of no part, where 90 %
# bands so hold 69 to 97 in 100 ratios of films as thick as the cards, and 63 to 98 of thicker ones;
# by prints 14 to 85.
BEYOND = 2.0
HIDDEN = 1e-12  # show-through below which nobody can tell it from none


def opacity(model: MixModel, usual: Mapping[str, Any]) -> pd.DataFrame:
    """Contrast ratio of every ink on the shelf at the dry film that a usual set-up lays.

    Y over an ideal black divided by Y over a white of 0.80 (the form of ISO 6504; Y under the
    shop's viewing condition). 1 hides fully, 0.98 counts as hiding. Cards over bright and over dark
    show it: then they alone count, for prints bend an ink's K and S by all that theory misses of
    a print. Else the band is by what drawdowns and prints leave open; the film is taken as stated.

    Parameters
    ----------
    usual : the set-up (:func:`learn.planning.plan.usual_setup`). An underbase goes through its
        screen of the base where it names one; its ink and garment do not matter.

    Returns
    -------
    frame ``ink_id``, ``film_um``, ``contrast_ratio``, ``lo``, ``hi`` (90 % band), in the order of
    the shop's inks

    Raises
    ------
    Unusable
        when the set-up names no mesh, or one that is in none of the shop's tables.
    """
    inks, film = list(model.encoder_.inks.index), usual_film(model, usual)
    low, ratio, high = contrast_ratios(model, inks, film).T
    return pd.DataFrame(
        {"ink_id": inks, "film_um": film, "contrast_ratio": ratio, "lo": low, "hi": high}
    )


def contrast_ratios(model: MixModel, inks: list[str], film_um: ArrayLike) -> Array:
    """Contrast ratio (m, 3) of inks at dry films ``film_um`` (m,): low, as learnt, high."""
    film = np.asarray(film_um, float)

    def log_show_through(log_k: Array, log_s: Array) -> Array:
        left = show_through(np.exp(log_k), np.exp(log_s), film, model.viewing_)
        return np.log(np.maximum(left, HIDDEN))[:, None]

    # on the log scale: a band that stays below 1
    shown = np.array([model.known_from(ink) in BOTH for ink in inks], bool)
    (by_prints, covariance), (by_cards, of_cards) = (
        one(inks, log_show_through) for one in (model.of_inks, model.of_cards)
    )
    log_left = np.where(shown, by_cards[:, 0], by_prints[:, 0])
    sd = np.sqrt(np.where(shown, BEYOND**2 * of_cards[:, 0, 0], covariance[:, 0, 0]))
    half = Z90 * sd
    low = np.maximum(0.0, 1 - np.exp(log_left + half))
    return np.column_stack([low, 1 - np.exp(log_left), 1 - np.exp(log_left - half)])


def usual_film(model: MixModel, usual: Mapping[str, Any]) -> Array:
    """Dry film (m,) in um that a set-up lays of every ink on the shelf, by the physics alone."""
    encoder, inks = model.encoder_, list(model.encoder_.inks.index)
    setups = pd.DataFrame([dict(usual)] * len(inks)).reindex(columns=SETUP_COLUMNS)
    mesh = setups["underbase_mesh_id"].iloc[0]
    based = (encoder.inks["role"].reindex(inks) == "underbase").to_numpy() & pd.notna(mesh)
    own, none = np.array(inks, object), np.full(len(inks), None, object)
    setups = setups.assign(
        substrate_id=encoder.substrates.index[0],
        ink_id=own,
        underbase_ink_id=np.where(based, own, none),
    )
    top, base = model.films_um(setups)
    return np.where(based, base, top)
