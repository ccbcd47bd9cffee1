"""What set-ups may name and the shop's settings: all that predicting needs beside the model.

It is kept with a learnt model, so that predicting opens the shop's tables only when they have
changed since.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import pandas as pd

from learn.shop import Shop, ShopSettings, latest_lots
from pipelines.tables.dates import last_day
from pipelines.tables.folder import words_in
from pipelines.tables.lots import lots_in
from pipelines.tables.names import WORDS, Names, names_of
from pipelines.tables.schema import PRESSES

# Settings that only the verdict rests on: these may change without learning again.
OF_VERDICT = (
    *("name", "tolerance_dE00", "confidence", "cost_test_print", "cost_spoiled_print"),
    "mixable",
)

CALLED = {"inks": "ink_name", "substrates": "colour_name", "presses": "press_name"}


@dataclass(frozen=True)
class Catalogue:
    """Identifiers of inks, substrates, meshes and presses with their names, and the settings.

    ``words``: table -> identifier -> column of `names.WORDS` -> text or None. ``lots``: ink -> the
    lot it was last printed from; ``spelt``: ink -> all its lots, as they are spelt.
    """

    settings: ShopSettings
    words: dict[str, dict[str, dict[str, str | None]]]
    lots: dict[str, str] = field(default_factory=dict)
    spelt: dict[str, list[str]] = field(default_factory=dict)

    @classmethod
    def of(cls, shop: Shop, waiting: pd.DataFrame | None = None) -> Catalogue:
        """The catalogue of a shop's tables; of prints ``waiting`` for a decision it knows the lot
        all the same: that bucket is open, whatever came of them."""
        words = words_in({t: getattr(shop, t) for t in (*WORDS, "prints")})
        prints = shop.prints if waiting is None else pd.concat([shop.prints, waiting])
        latest = latest_lots(prints, last_day())
        spelt = lots_in({"prints": prints, "drawdowns": shop.drawdowns})
        return cls(shop.settings, {t: {} for t in WORDS} | words, latest, spelt)

    @classmethod
    def from_facts(cls, facts: Mapping[str, Any]) -> Catalogue:
        """Back from what `facts` gave; raises KeyError or TypeError if it is not that."""
        words = {PRESSES.name: {}, **facts["words"]}  # a model of before knows no presses by name
        words = {t: dict(words[t]) for t in WORDS}
        lots = dict(facts.get("lots", {}))
        return cls(ShopSettings(**facts["settings"]), words, lots, dict(facts.get("spelt", {})))

    def facts(self) -> dict[str, Any]:
        """As JSON holds it."""
        return asdict(self)

    def names(self) -> dict[str, Names]:
        """What set-ups may refer to in each table, by identifier or by name."""
        return names_of(self.words)

    def called(self, table: str) -> dict[str, str | None]:
        """Identifier -> what the shop calls each thing of a table."""
        return {one: words.get(CALLED[table]) for one, words in self.words[table].items()}

    def things(self) -> dict[str, dict[str, str | None]]:
        """The same of inks, garments and presses, as `pipelines.words.verdict` takes them."""
        tables = {"ink": "inks", "garment": "substrates", "press": "presses"}
        return {what: self.called(table) for what, table in tables.items()}

    def updated(self, now: Catalogue) -> Catalogue:
        """What ``now`` knows, under its verdict's settings and this one's viewing condition."""
        verdict = {name: getattr(now.settings, name) for name in OF_VERDICT}
        return replace(now, settings=replace(self.settings, **verdict))

    def joined(self, now: Catalogue) -> Catalogue:
        """This one, and what came in since."""
        words = {t: now.words[t] | known for t, known in self.words.items()}
        return replace(self, words=words, spelt=now.spelt)

    def describe(self, setups: pd.DataFrame) -> pd.DataFrame:
        """Set-ups with what the shop calls their inks, garments and presses in further columns."""

        def named(column: str, table: str, word: str) -> pd.Series:
            return setups[column].map(lambda one: self.words[table].get(one, {}).get(word))

        return setups.assign(
            ink_name=named("ink_id", "inks", "ink_name"),
            underbase_ink_name=named("underbase_ink_id", "inks", "ink_name"),
            colour_name=named("substrate_id", "substrates", "colour_name"),
            fibre=named("substrate_id", "substrates", "fibre"),
            press_name=named("press_id", "presses", "press_name"),
        )
