"""What was measured of mixes: tint cards and prints, as `learn.mixing.strength` learns from them.

A tint card is two inks in known shares over a card. A printed mix goes through the same physics as
any print. Of both, what is not known of the inks themselves, of film and press, is noise here; a
density that nobody stated is part of an ink's strength.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from learn.colour.colorimetry import Viewing, lab_from_reflectance, lab_jacobian
from learn.errors import Unusable
from learn.mixing.law import Law
from learn.mixing.mixture import Mixing
from learn.mixing.recipes import Weighing
from learn.mixing.strength import Observation, Strengths, learn
from learn.mixing.transport import to_film, to_particles
from learn.physics.drawdowns import (
    FILM_ERROR,
    LAB_ERROR,
    backs_of,
    card_reflectance,
    lab_columns,
    missed_of,
)
from learn.shop import SETUP_COLUMNS, UNDERBASE, latest_lots

if TYPE_CHECKING:
    from learn.predict.protocol import MixModel
    from learn.shop import Shop

Array = NDArray[np.floating]

DRAWS = 16  # of the weights, and as many mirrored, to size what else is not known of a mix
SCREEN = ("mesh_id", "strokes", "flash_count")
SAME_READING = 0.06  # of L, a, b: as one reading is written with a digit more or less
MOST = 80  # prints of mixes that are learnt from, the latest: about 10 s of one processor


def strengths_of(model: MixModel, shop: Shop) -> Strengths:
    """The strengths that the shop's tint cards and printed mixes tell of."""
    return learn(of_shop(model, shop))


def of_shop(model: MixModel, shop: Shop) -> list[Observation]:
    """Every tint card and printed mix of a shop."""
    return [*of_tints(model, shop.tints), *of_prints(model, shop)]


def of_tints(model: MixModel, tints: pd.DataFrame) -> list[Observation]:
    """Every card of two inks; ``tints``: drawdowns with ``mixed_with`` and ``share_pct``."""
    shelf, substrates = model.encoder_.inks.index, model.encoder_.substrates
    usable = tints["ink_id"].isin(shelf) & tints["mixed_with"].isin(shelf)
    usable &= tints["substrate_id"].isin(substrates.index)
    tints = tints[usable]
    lab = lab_columns(tints, model.viewing_)
    backs, cloth = backs_of(
        tints["substrate_id"],
        substrates.reset_index(),
        model.encoder_.substrate_r,
        model.encoder_.coated_cards,
    )
    rows = zip(tints.to_dict("records"), lab, backs, cloth, strict=True)
    return [_of_tint(model, *row) for row in rows if np.isfinite(row[1]).all()]


def _of_tint(model: MixModel, row: dict, measured: Array, back: Array, cloth: bool) -> Observation:
    inks = [row["ink_id"], row["mixed_with"]]
    solids = model.encoder_.inks["solids_vol_pct"].loc[inks].to_numpy(float)
    dry = np.array([row["share_pct"], 100 - row["share_pct"]]) * solids
    shares = dry / dry.sum()
    optics, unsure = model.of_inks(inks, lambda k, s: np.hstack([k, s]))  # (2, 62), (2, 62, 62)
    film = np.array([row["film_um"]])

    def card_of(optics: Array, law: Law, k: int, film: Array) -> Array:
        a, s = to_particles(*np.exp(np.moveaxis(optics.reshape(2, 2, -1), 1, 0)))
        K, S = to_film(*law.blend(np.tile(shares, (k, 1))).of(a, s))
        return card_reflectance(K, S, np.repeat(film, k), np.tile(back, (k, 1)))

    def lab_of(optics: Array, law: Law, k: int, film: Array) -> Array:
        return lab_from_reflectance(card_of(optics, law, k, film), model.viewing_)

    def lab(law: Law, k: int) -> Array:
        return lab_of(optics, law, k, film)

    plain = Law(np.zeros(2), None)
    here = lab(plain, 1)[0]
    values, vectors = np.linalg.eigh(unsure)
    root = vectors * np.sqrt(np.maximum(values, 0))[:, None, :]
    z = np.random.default_rng(1940).standard_normal((DRAWS, *optics.shape))
    away = np.einsum("mij,dmj->dmi", root, z)
    off = np.array([lab_of(optics + s * d, plain, 1, film)[0] for d in away for s in (1, -1)])
    off = off - here
    r = card_of(optics, plain, 1, film)[0]
    to_lab = lab_jacobian(r, model.viewing_)
    missed = to_lab @ missed_of(r, model.missed()) @ to_lab.T
    scatter = (LAB_ERROR**2 * np.eye(3) + missed) * (4.0 if cloth else 1.0)
    if np.isfinite(film).all():
        thicker = lab_of(optics, plain, 1, film * np.exp(FILM_ERROR))[0] - here
        scatter = scatter + np.outer(thicker, thicker)
    return Observation(tuple(inks), shares, lab, measured, off.T @ off / len(off), scatter)


def of_prints(model: MixModel, shop: Shop) -> list[Observation]:
    """Every print of a mix, the latest `MOST`; one that names what the model has not been told of,
    or inks that may not be mixed, is passed over."""
    recipe = recipes_of(shop)
    prints = shop.prints[recipe.notna().to_numpy()]
    lab = lab_columns(prints, model.viewing_)
    found = []
    order = prints["printed_on"].argsort(kind="stable").to_numpy()[::-1]
    for i in order[np.isfinite(lab[order]).all(axis=1)][:MOST]:
        row = prints.iloc[i]
        try:
            lots = latest_lots(shop.prints, row["printed_on"])
            found.append(of_print(model, row, recipe.loc[prints.index[i]], lab[i], lots=lots))
        except Unusable:
            continue
    return found


def recipes_of(shop: Shop) -> pd.Series:
    """Of every print its recipe, ((ink, weight), ...); None where it is of no mix."""
    none = pd.Series(None, shop.prints.index, dtype=object)
    of_ink = shop.inks.set_index("ink_id").get("mix", pd.Series(dtype=object))
    own = shop.prints["ink_id"].map(of_ink).astype(object)
    stated = shop.prints.get("mix", none)
    return stated.where(stated.notna(), own.where(own.notna(), None))


def not_measured(
    shop: Shop, viewing: Viewing, recipe: Mapping[str, float], measured: Mapping[str, ArrayLike]
) -> Shop:
    """The shop without the prints of a ``recipe`` (ink -> share) that read as ``measured`` (garment
    -> Lab): the very reading, recorded as well, would be told twice."""
    prints, of = shop.prints, recipes_of(shop)
    this = of.notna() & prints["substrate_id"].isin(list(measured))
    rows = prints[this]
    same = of[this].map(lambda one: _shares(dict(one)) == _shares(recipe)).astype(bool)
    told = np.array([measured[one] for one in rows["substrate_id"]], float).reshape(-1, 3)
    near = np.abs(lab_columns(rows, viewing) - told).max(axis=1, initial=0.0) < SAME_READING
    again = rows.index[same & near]
    return replace(shop, prints=prints.drop(index=again).reset_index(drop=True))


def printed_so(
    shop: Shop,
    viewing: Viewing,
    recipe: Mapping[str, float],
    setup: Mapping[str, Any],
    garments: Collection[str],
) -> dict[str, pd.Series]:
    """The latest print of a ``recipe`` (ink -> share) on each of ``garments``, where there is one
    through that screen and over that base: its row, with Lab."""
    prints, of = shop.prints, recipes_of(shop)
    own = of.notna() & prints["substrate_id"].isin(list(garments))
    for column in (*SCREEN, *UNDERBASE):
        asked, cells = setup.get(column), prints[column]
        if not pd.isna(asked):
            own &= (cells == asked) | (cells.isna() & (column != UNDERBASE[0]))
        elif column == UNDERBASE[0]:
            own &= cells.isna()
    this = _shares(recipe)
    own &= of.map(lambda one: bool(one) and _shares(dict(one)) == this).astype(bool)
    rows = prints[own].sort_values("printed_on", kind="stable")
    rows = rows.assign(**dict(zip("Lab", lab_columns(rows, viewing).T, strict=True)))
    rows = rows[rows[["L", "a", "b"]].notna().all(axis=1)]
    return {str(row["substrate_id"]): row for _, row in rows.iterrows()}


def _shares(recipe: Mapping[str, float]) -> dict[str, int]:
    """Of a recipe, in whole per cent."""
    whole = sum(recipe.values())
    shares = {ink: round(100 * weight / whole) for ink, weight in recipe.items()}
    return {ink: share for ink, share in shares.items() if share}


def of_print(
    model: MixModel,
    setup: pd.Series,
    recipe: tuple[tuple[str, float], ...],
    measured: Array,
    strengths: Strengths | None = None,
    lots: Mapping[str, str] | None = None,
) -> Observation:
    """One print of a mix, ``recipe`` by weight, of its inks' ``lots``; raises Unusable as
    `Mixing.of` does."""
    inks = [ink for ink, _ in recipe]
    described = {c: setup.get(c) for c in SETUP_COLUMNS if c not in ("ink_id", "substrate_id")}
    mixing = Mixing.of(model, described, [setup["substrate_id"]], inks, strengths, lots)
    shares = Weighing().shares(mixing, np.array([weight for _, weight in recipe]))
    said = mixing.predict(shares, mixing.law, DRAWS)
    unknown, total = said.unknown[0], said.joint.covariance[0]

    def lab(law: Law, k: int) -> Array:
        return mixing.lab(np.tile(shares, (k, 1)), law)[:, 0]

    return Observation(tuple(inks), shares, lab, measured, unknown, total - unknown)
