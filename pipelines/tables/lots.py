"""Lots of ink: one bucket is one lot however its name is typed, and which words say a new one.

Case, blanks and hyphens do not count, but between two figures, where they part numbers: R-11, r 11
and R11 are one lot, 1-12 and 11-2 two.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import cache

import pandas as pd

from learn.shop import NEW_LOT
from pipelines.tables.headers import LOT_WORDS
from pipelines.tables.layout import is_nothing
from pipelines.tables.names import Phrase, Reading

INK, LOT = "ink_id", "ink_lot"
_PARTS = re.compile(r"[^\W\d_]+|\d+|[^\w\s\-\u2010-\u2015\u2212]")
# Of the languages of `headers`.
_WORDS = "new|neu|neue|neuer|neues|nouveau|nouvelle|neuf|nuevo|nueva|nuovo|nuova|nieuw|nieuwe"
_NEW = frozenset(_WORDS.split("|"))

Lots = Mapping[str, Iterable[str]]  # ink -> its lots, that with the spelling first used first


@cache
def is_new(lot: str) -> bool:
    """Whether a lot says in words that it is a new one: ``new``, ``neu``, ``neue Charge``."""
    words = {plain for plain, _ in Phrase.of(lot).words}
    return bool(words & _NEW) and words <= _NEW | LOT_WORDS


@cache
def _plainly(lot: str) -> tuple[str, ...]:
    found = _PARTS.findall(unicodedata.normalize("NFKC", lot).casefold())
    return tuple(found) or (lot,)


def spelt(
    ink: pd.Series, lot: pd.Series, known: Lots | None = None
) -> tuple[pd.Series, list[Reading]]:
    """Lots (n,) of inks (n,), text or missing, in the spelling first used: of those ``known``, then
    of the column itself; one that :func:`is_new` is `NEW_LOT`. And what was read how."""
    first = {
        (one, _plainly(lot)): lot for one, lots in (known or {}).items() for lot in [*lots][::-1]
    }
    pairs = pd.DataFrame({INK: ink, LOT: lot}).dropna()
    readings, instead = [], {}
    for (one, text), rows in pairs[pairs[LOT] != ""].groupby([INK, LOT], sort=False).size().items():
        own = NEW_LOT if is_new(text) else first.setdefault((one, _plainly(text)), text)
        if own == text:
            continue
        instead[one, text] = own
        if text.casefold() == own:  # "New"
            continue
        noun, label = ("a", "new lot") if own == NEW_LOT else ("lot", f"{own} of {one}")
        readings.append(Reading(text, noun, label, int(rows)))
    if not instead:
        return lot, []
    told = pd.Series([*zip(ink, lot, strict=True)], lot.index).map(instead)
    return lot.astype(object).mask(told.notna(), told), readings


def in_tables(
    tables: dict[str, pd.DataFrame], known: Lots | None = None
) -> tuple[dict[str, pd.DataFrame], dict[str, list[Reading]]]:
    """Text cells of ``prints`` and ``drawdowns`` with each lot in the spelling first used, of those
    ``known`` and then of the tables; and by table what was read how.

    Words for "nothing" (`layout.is_nothing`) are no lot. A print of a new lot is of one called
    after its day, else its job or itself: no later new one is taken for it.
    """
    found, readings = dict(tables), dict[str, list[Reading]]()
    known = dict(known or {})
    for name in ("prints", "drawdowns"):
        if name not in tables or not {INK, LOT} <= set(tables[name]):
            continue
        cells = tables[name]
        ink, lot = cells[INK].str.strip(), cells[LOT].str.strip()
        nothing = lot.map(is_nothing) & (lot != "")
        lot = lot.mask(nothing, "")
        told: list[Reading] = []
        new = lot.map(is_new)
        if name == "prints" and new.any():
            called = f"{NEW_LOT} " + _called(cells)
            each = pd.Series([*zip(lot, called + " of " + ink, strict=True)], lot.index)[new]
            counts = each.value_counts(sort=False).items()
            told = [Reading(text, "lot", label, int(n)) for (text, label), n in counts]
            lot = lot.mask(new, called)
        own, more = spelt(ink, lot, known)
        readings[name] = told + more
        if readings[name] or nothing.any():
            found[name] = cells.assign(**{LOT: own})
        known = _with(known, found[name])
    return found, readings


def lots_in(frames: Mapping[str, pd.DataFrame]) -> dict[str, list[str]]:
    """Ink -> its lots, of ``prints`` and then of ``drawdowns``, as text or typed."""
    known: dict[str, list[str]] = {}
    for name in ("prints", "drawdowns"):
        if name in frames and {INK, LOT} <= set(frames[name]):
            known = _with(known, frames[name])
    return known


def _with(known: Lots, frame: pd.DataFrame) -> dict[str, list[str]]:
    pairs = frame[[INK, LOT]].dropna().apply(lambda cells: cells.str.strip()).drop_duplicates()
    own = pairs[pairs[LOT] != ""].groupby(INK, sort=False)[LOT].agg(list).to_dict()
    return {
        ink: list(dict.fromkeys([*known.get(ink, ()), *own.get(ink, ())]))
        for ink in {**known, **own}
    }


def _called(cells: pd.DataFrame) -> pd.Series:
    """What a new lot of each print is called by: its day, else its job, else the print."""
    called = pd.Series("", cells.index, dtype=object)
    for column in ("printed_on", "job_id", "print_id"):
        if column in cells:
            text = cells[column].str.strip()
            called = called.mask(called == "", text.str[:10] if column == "printed_on" else text)
    return called
