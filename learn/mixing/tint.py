"""What one tint card of an ink is worth to those who will mix it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from learn.colour.difference import from_mean
from learn.mixing.evidence import of_tints
from learn.mixing.families import families, unmixed
from learn.mixing.mixture import Mixing
from learn.mixing.recipes import Weighing
from learn.mixing.strength import Observation, Strengths, learn
from learn.normal import quasi_random

if TYPE_CHECKING:
    from learn.predict.protocol import MixModel

WHITE_L = 80.0  # L* of the bucket from which an ink is white enough to let others down with
CHROMA = 12.0  # and at most so far from grey
CARD_UM = 50.0  # film of a card where nothing is said of it
TINT_PCT = 20.0
MIXES = np.array([[0.5, 0.5], [0.2, 0.8]])  # by weight in white, which are judged
DRAWS = 256


class TintWorth(NamedTuple):
    """Nine of ten prints of mixes of an ink in white lie so near their prediction."""

    ink: str
    white: str
    before_dE00: float
    after_dE00: float  # with one card of `TINT_PCT`


def white_for(model: MixModel, ink: str) -> str | None:
    """The whitest ink known that may be mixed with this one; None where there is none."""
    inks = unmixed(model.encoder_.inks)
    types = inks["ink_type"]
    found = {
        one
        for family in families(types, model.settings_.mixable)
        if ink in family.inks
        for one in family.inks
    } - {ink, *model.nothing_of()}
    if not found:
        return None
    names = sorted(found)
    lab, _ = model.buckets(names)
    light = np.where(np.hypot(lab[:, 1], lab[:, 2]) < CHROMA, lab[:, 0], 0.0)
    best = int(light.argmax())
    return names[best] if light[best] >= WHITE_L else None


def tint_worth(
    model: MixModel, ink: str, setup: Mapping[str, Any], told: Sequence[Observation]
) -> TintWorth | None:
    """Of mixes of ``ink`` in white at one set-up; None where cards or mixes have told of it,
    nothing is known of it, no white goes with it, or the shop has no card to lay it on.

    ``setup``: the columns of a set-up, with its garment. ``told``: what was measured of mixes
    (`learn.mixing.evidence`), whose inks tell in part of this one.
    """
    cards = model.encoder_.substrates.query("kind == 'card'").index
    white = white_for(model, ink)
    if any(ink in one.inks for one in told) or white is None or cards.empty:
        return None
    if ink in model.nothing_of():  # its own card comes first
        return None
    row = {"ink_id": ink, "mixed_with": white, "substrate_id": cards[0], "film_um": CARD_UM}
    tints = pd.DataFrame([row | {"share_pct": TINT_PCT, "L": 50.0, "a": 0.0, "b": 0.0}])
    card = of_tints(model, tints)[0]
    known = learn(told)
    # what a card narrows hardly depends on what it will read
    card = replace(card, measured=card.lab(known.law([ink, white]), 1)[0])

    def sure(strengths: Strengths) -> float:
        mixing = Mixing.of(model, setup, [setup["substrate_id"]], [ink, white], strengths)
        joint = mixing.predict(Weighing().shares(mixing, MIXES)).joint
        off = from_mean(joint.mean[:, 0], joint.covariance, quasi_random(DRAWS, 3))
        return float(np.quantile(off, 0.9))

    return TintWorth(ink, white, sure(known), sure(learn([*told, card])))
