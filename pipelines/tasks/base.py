"""What a base does to a print: the shop's usual one, or the one there is."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import pandas as pd

from learn.shop import UNDERBASE, UNDERBASE_IDS
from pipelines.registry.opened import Opened
from pipelines.tables.bases import usual_bases
from pipelines.tasks.usual import Usual

if TYPE_CHECKING:
    from learn.predict.shares import Shares

# Whether a base helps is asked where the cloth moves the print by so much; no source.
CLOTH_MATTERS_dE00 = 1.0
TARGET = ["target_L", "target_a", "target_b"]


def about_the_base(
    opened: Opened, setup: pd.DataFrame, shares: Shares, usual: Callable[[], Usual]
) -> list[str]:
    """What the shop's usual base would do to the print of one set-up (one row), or what would be
    without the one there is; ``usual``: how the shop prints, if it is needed."""
    from learn.predict.beside import beside
    from learn.predict.shares import MOVERS, Mover, from_bucket
    from pipelines.words.prediction import setup_words
    from pipelines.words.verdict import unseen_words
    from pipelines.words.why import base_sentence, without_base_sentence

    if setup["underbase_ink_id"].iloc[0] is not None:
        bare = setup.assign(**dict.fromkeys(UNDERBASE_IDS), underbase_strokes=math.nan)
        return [without_base_sentence(from_bucket(opened.model, bare).total_dE00)]
    if abs(shares.dE00[MOVERS.index(Mover.CLOTH)]) < CLOTH_MATTERS_dE00:
        return []
    base = usual_base(usual(), str(setup["substrate_id"].iloc[0]))
    if base is None or base[UNDERBASE[0]].iloc[0] not in opened.catalogue.words["inks"]:
        return []
    based = setup.assign(**base.iloc[0].to_dict())
    described = opened.catalogue.describe(based).iloc[0]
    named = dict(setup_words(described))["Base"]
    both = pd.concat([setup, based]).drop(columns=TARGET, errors="ignore")
    p_nearer = float(beside(opened.model, both).nearest[1])
    with_dE00 = from_bucket(opened.model, based).total_dE00
    said = [base_sentence(shares.total_dE00, with_dE00, named, p_nearer)]
    unproven = [one for one in opened.model.unseen(based)[0] if one.what == "over"]
    return said + [f"But: {unseen_words(unproven, opened.catalogue.things())}." for _ in unproven]


def usual_base(usual: Usual, garment: str) -> pd.DataFrame | None:
    """The base that presets name for a garment, else the commonest of its prints, else of all (one
    row); None where there is none."""
    told, by_preset = usual.setup([garment])
    if by_preset and told[UNDERBASE[0]] is not None:
        return pd.DataFrame([{column: told[column] for column in UNDERBASE}])
    prints = usual.given.tables["prints"]
    own = prints[prints["substrate_id"] == garment]
    for history in (own, prints):
        if len(bases := usual_bases(history)):
            return bases.head(1)
    return None
