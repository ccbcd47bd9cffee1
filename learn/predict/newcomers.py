"""What came into the shop's tables after the model learnt, made known to it without learning."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from learn.colour.colorimetry import viewing
from learn.fit import update
from learn.fit.encoding import changes_in, substrate_reflectance
from learn.fit.lot_cards import describing, lot_cards
from learn.physics.deposit import complete_inks, complete_meshes
from learn.physics.shelf import describe_shelf

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel
    from learn.shop import Shop


def tell(model: ShiftModel, shop: Shop, *, gone: bool = False) -> None:
    """See :meth:`learn.predict.model.ShiftModel.told_of`."""
    _tell_things(model, shop, gone=gone)
    take_in_cards(model, shop)


def take_in_cards(model: ShiftModel, shop: Shop) -> None:
    """What cards say of lots becomes part of what ``model`` knows, once each."""
    if describing(shop.drawdowns).all():
        return
    view = viewing(shop.settings.illuminant, shop.settings.observer)
    cards = lot_cards(
        shop,
        model.shelf_,
        substrate_reflectance(shop.substrates, view),
        view,
        model.encoder_.coated_cards,
        but={card.level for card in model.cards_},
    )
    if not cards:
        return
    state = update.Grown(model.layout_, model.hyper_, model.weights_, model.posterior_)
    state, cards = update.with_cards(state, cards)
    model.layout_, model.hyper_, model.weights_, model.posterior_ = state
    model.cards_ = [*model.cards_, *cards]
    model.likeness_ = model.likeness_.with_lots([card.level for card in cards])


def _tell_things(model: ShiftModel, shop: Shop, *, gone: bool) -> None:
    encoder = model.encoder_
    known = (encoder.inks, encoder.substrates, encoder.meshes)
    now = (
        shop.inks.set_index("ink_id"),
        shop.substrates.set_index("substrate_id"),
        shop.meshes.set_index("mesh_id"),
    )
    changes = encoder.changes if gone else changes_in(shop)
    model.encoder_ = encoder = replace(encoder, changes=changes)
    if all(old.index.equals(there.index) for old, there in zip(known, now, strict=True)):
        return
    # what a colour was measured under is the shop's to say, whatever the model speaks of
    view = viewing(shop.settings.illuminant, shop.settings.observer)
    inks, substrates, meshes = (
        there[~there.index.isin(old.index)] for old, there in zip(known, now, strict=True)
    )
    fresh = inks.index.difference(model.shelf_.ink_ids, sort=False)
    if len(fresh):
        # with all others: what theory misses, and how inks scatter, their cards say together
        described = describe_shelf(
            shop.inks,
            shop.drawdowns[describing(shop.drawdowns)],
            shop.substrates,
            substrate_reflectance(shop.substrates, view),
            view,
            coated_cards=encoder.coated_cards,
        )
        shelf = update.joined(model.shelf_, described.only(fresh))
        state = update.Grown(model.layout_, model.hyper_, model.weights_, model.posterior_)
        state = update.with_room(state, shelf)
        model.shelf_ = shelf
        model.layout_, model.hyper_, model.weights_, model.posterior_ = state
    added = substrate_reflectance(substrates.reset_index(), view)
    cloth = encoder.substrates.index
    model.encoder_ = replace(
        encoder,
        inks=complete_inks(_with(encoder.inks, inks, None if gone else now[0])),
        substrates=_with(encoder.substrates, substrates, None if gone else now[1]),
        meshes=_with(
            encoder.meshes,
            complete_meshes(meshes.reset_index()).set_index("mesh_id"),
            None if gone else now[2],
        ),
        substrate_r=np.concatenate(
            [encoder.substrate_r if gone else encoder.substrate_r[cloth.isin(now[1].index)], added]
        ),
    )


def _with(known: pd.DataFrame, new: pd.DataFrame, now: pd.DataFrame | None) -> pd.DataFrame:
    """Rows of before - those that are still there, where it is said what is - then the new."""
    kept = known if now is None else known[known.index.isin(now.index)]
    if not len(new):
        return kept
    return pd.concat([kept.astype(object), new.astype(object)])
