"""What was printed since learnt on top of a fitted model, without fitting again."""

from __future__ import annotations

import copy
from collections.abc import Collection
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00
from learn.fit import update
from learn.fit.fingerprints import changes, marks_of
from learn.fit.fitting import FEW_PRINTS, JUMPS, Progress
from learn.fit.slips import by_itself, far_off, is_gross
from learn.fit.strangeness import other_inks
from learn.gp.posterior import one_thread
from learn.physics.drawdowns import lab_columns
from learn.predict.history import set_aside
from learn.predict.newcomers import tell
from learn.predict.novelty import Likeness

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel
    from learn.shop import Shop


def append(model: ShiftModel, shop: Shop, say: Progress, trusted: Collection[str]) -> None:
    """See :meth:`learn.predict.model.ShiftModel.append`; every print of ``shop`` has a colour."""
    marks = marks_of(shop)
    if shop.settings != model.settings_:
        msg = "the shop's settings have changed"
        raise ValueError(msg)
    if changed := changes(model.marks_, marks):
        more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
        msg = f"{changed[0]}{more} changed since the model learnt from it"
        raise ValueError(msg)
    _take_in(model, shop, say, trusted)
    model.marks_ = marks


def with_recorded(model: ShiftModel, shop: Shop, trusted: Collection[str]) -> ShiftModel:
    """A model that has learnt the prints of ``shop`` that came since, whatever has changed of what
    it learnt before: that it keeps as it was. ``shop`` is of the model's illuminant and observer.
    """
    told = copy.copy(model)
    usable = np.isfinite(lab_columns(shop.prints, model.viewing_)).all(axis=1)
    shop = replace(shop, prints=shop.prints[usable].reset_index(drop=True))
    _take_in(told, shop, lambda _: None, trusted)
    told.marks_ = {table: marks | model.marks_[table] for table, marks in marks_of(shop).items()}
    return told


@one_thread
def _take_in(model: ShiftModel, shop: Shop, say: Progress, trusted: Collection[str]) -> None:
    """Learn the prints of ``shop`` that ``model`` does not know; each has a colour."""
    new = ~shop.prints["print_id"].isin(model.marks_["prints"]).to_numpy()
    prints = model.encoder_.completed(shop.prints)[new].reset_index(drop=True)
    say(f"learning {len(prints)} new prints")
    lab = lab_columns(prints, model.viewing_)
    tell(model, shop)
    fixed = (model.log_lengths_, model.settings_.repeatability_dE00)
    # what is known stands where the fit ended, not where its last step, too long to be taken, led
    posterior = replace(model.posterior_, mean=model.weights_)
    known = update.Grown(model.layout_, model.hyper_, model.weights_, posterior)
    for _ in range(JUMPS):
        rows = model.encode(prints)
        state = update.with_room(known, model.shelf_, rows.X)
        jump = update.jump_of(state, rows, lab, *fixed, printed=known.layout.stretches)
        if jump is None:
            break
        jumps = pd.concat([model.encoder_.jumps, pd.DataFrame([jump])], ignore_index=True)
        model.encoder_ = replace(model.encoder_, jumps=jumps)
    error, squared = update.surprise(state, rows, lab, *fixed)
    alone = by_itself(squared, error, rows.X["lot"])
    keep = ~is_gross(alone, delta_e00(lab - error, lab), model.gross_)
    right = prints["print_id"].isin(trusted).to_numpy()
    keep |= right
    far = far_off(alone, delta_e00(lab - error, lab)) & ~right
    seen = model.likeness_.seen(rows.X, "ink")
    few = rows.X["ink"][keep & (seen < FEW_PRINTS)].unique()
    # of a lot never printed its card alone says how strange it is
    printed = set(rows.X["lot"][keep]) | {
        level for level, n in model.likeness_.counts["lot"].items() if n > 1
    }
    carded = [card.level for card in model.cards_ if card.level not in printed]
    before, judging = state, {"few": few, "settled": carded}
    state = update.learnt(before, rows.take(keep), lab[keep], *fixed, **judging)
    no_lot = rows.X["lot"].isin(other_inks(state.layout, state.hyper)).to_numpy() & keep & ~right
    if no_lot.any():
        keep &= ~no_lot
        state = update.learnt(before, rows.take(keep), lab[keep], *fixed, **judging)
    model.layout_, model.hyper_, model.weights_, model.posterior_ = state
    model.shelf_ = model.layout_.shelf
    out = set_aside(prints, keep, np.sqrt(np.where(no_lot, squared, alone)))
    model.set_aside_ = pd.concat([model.set_aside_, out], ignore_index=True)
    linear = model.layout_.linearise(rows.take(keep), model.weights_, model.log_lengths_)
    likeness = model.likeness_.with_more(Likeness.of(linear.rows.X))
    model.likeness_ = likeness.with_prints(rows.X, error, far, ~keep)
    model.appended_ += int(keep.sum())
