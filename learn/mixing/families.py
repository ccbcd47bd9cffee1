"""Which inks may go into one bucket: those of one type, or of types the shop says may be mixed.

Plastisol cures by fusing, water-based and discharge inks by drying, silicone by cross-linking: a
mix of two cures like neither (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from learn.errors import Unusable

Mixable = Sequence[Sequence[str]]


class Family(NamedTuple):
    """What was sought and found among the inks of one type, or of types that may be mixed."""

    types: tuple[str, ...]
    inks: tuple[str, ...]
    worst_dE00: float = np.nan  # of its best mix; NaN where none beats one ink alone
    p_all: float = np.nan


def families(ink_type: pd.Series, mixable: Mixable) -> list[Family]:
    """The largest sets of inks of which any may be mixed; inks of unknown type are in none.

    ``ink_type``: type by ink; ``mixable``: types that may go into one bucket.

    Examples
    --------
    >>> types = pd.Series({"a": "plastisol", "b": "silicone", "c": "discharge", "d": None})
    >>> [family.inks for family in families(types, [])]
    [('c',), ('a',), ('b',)]
    >>> [family.inks for family in families(types, [("plastisol", "silicone")])]
    [('a', 'b'), ('c',)]
    """
    known = ink_type.dropna()
    there = set(known)
    groups = [there & set(group) for group in mixable] + [{one} for one in sorted(there)]
    groups = [g for i, g in enumerate(groups) if g and not any(g < h for h in groups)
              and g not in groups[:i]]  # fmt: skip
    return [Family(tuple(sorted(g)), tuple(known.index[known.isin(g)])) for g in groups]


def refuse_crossing(ink_type: pd.Series, mixable: Mixable) -> None:
    """Raises Unusable where the inks may not all go into one bucket; ``ink_type``: type by ink."""
    unknown = ink_type.index[ink_type.isna()]
    if len(unknown) and len(ink_type) > 1:
        msg = (
            f"the type of ink {unknown[0]} is not known, and inks of one type only go into one "
            "bucket: fill in its ink_type in inks.csv, import and learn"
        )
        raise Unusable(msg)
    if ink_type.empty or len(families(ink_type, mixable)) == 1:
        return
    first = ink_type.drop_duplicates()
    each = " and ".join(f"{ink} is {_word(one)}" for ink, one in first.items())
    allowed = ", ".join(f'"{one}"' for one in first)
    msg = (
        f"{each}: inks of one type only go into one bucket; name inks of one, or, where the ink "
        f"makers' data sheets allow the mix, say so in shop.toml: mixable = [[{allowed}]]"
    )
    raise Unusable(msg)


def unmixed(inks: pd.DataFrame) -> pd.DataFrame:
    """Those of ``inks`` (by ink_id) that are no mixes themselves."""
    return inks[inks["mix"].isna()] if "mix" in inks else inks


def may_join(ink_type: pd.Series, held: Iterable[str], mixable: Mixable) -> list[str]:
    """The inks, without those of ``held``, that may be added to a bucket which holds these."""
    held = list(held)
    refuse_crossing(ink_type.loc[held], mixable)
    found = [f.inks for f in families(ink_type, mixable) if set(held) <= set(f.inks)]
    return [ink for ink in ink_type.index if ink not in held and any(ink in f for f in found)]


def _word(ink_type: str) -> str:
    return ink_type.replace("_", "-")
