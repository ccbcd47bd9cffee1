"""Printed when, and from which lot: where nothing is said, today and from the lot in use.

Someone who asks what a set-up will print means the press as it stands and the bucket that is open.
Where none of a shop's prints has a date, no day is taken: it would be far from all that is known.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from difflib import get_close_matches
from typing import TYPE_CHECKING, NamedTuple

from learn.shop import NEW_LOT
from pipelines.words.common import before_all, long_since, named, reckoned_for
from pipelines.workspace.problems import Kind, UserError

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.registry.catalogue import Catalogue
    from pipelines.registry.opened import Opened

NONE = "none"  # for a day or a lot: none in particular
LONG_DAYS = 60  # since the last print, from which on it is told


class Said(NamedTuple):
    """How a day and a lot are named where it was asked; empty where they cannot be."""

    day: str = "--date"
    lot: str = "--lot"


OPTIONS, COLUMNS, NOWHERE = Said(), Said("printed_on", "ink_lot"), Said("", "")


class Searched(NamedTuple):
    """What a search for set-ups or mixes is of."""

    lots: dict[str, str]  # ink -> lot
    day: pd.Timestamp | None
    notes: list[str]


def today() -> date:
    """The day it is."""
    return date.today()


def of_today(
    setups: pd.DataFrame,
    opened: Opened,
    said: Said = OPTIONS,
    *,
    day: str = "",
    undated: Collection[int] = (),
) -> tuple[pd.DataFrame, list[str]]:
    """Set-ups with a day and a lot where they name none, and what is told of that.

    ``day``: the one of those without (:func:`day_of`), empty for today. ``undated``: positions of
    those that asked for none in particular.
    """
    import pandas as pd

    setups, lots, alike = _with_lots(setups, opened.catalogue)
    printed_on = pd.to_datetime(setups["printed_on"])
    empty = printed_on.isna() & ~pd.Series(setups.index, setups.index).isin(list(undated))
    taken = day_of(said.day, day, opened) if empty.any() else None
    if taken is not None:
        printed_on = printed_on.mask(empty, taken)
    told = _told(taken if not day else None, lots, setups["ink_id"].nunique(), opened, said)
    told += _far_days(printed_on.where(~empty), taken, opened)
    # of a file each set-up tells it, and a list of them would bury all else
    in_file = said.lot == COLUMNS.lot
    alike += [] if in_file else _never_seen(setups["ink_id"], setups["ink_lot"], opened)
    return setups.assign(printed_on=printed_on), alike + told


def searched(
    opened: Opened,
    day: str,
    given: Mapping[str, str],
    inks: Collection[str] | None = None,
    said: Said = OPTIONS,
) -> Searched:
    """What is searched for, of ``inks`` (all): their lots as ``given``, else the latest; the
    ``day`` (:func:`day_of`), empty for today."""
    import pandas as pd

    from pipelines.tables.lots import spelt

    latest = opened.catalogue.lots
    filled = {i: lot for i, lot in latest.items() if i in (inks or latest) and i not in given}
    named = pd.Series({i: lot for i, lot in given.items() if lot.casefold() != NONE}, dtype=object)
    own, readings = spelt(named.index.to_series(), named, opened.catalogue.spelt)
    taken = day_of(said.day, day, opened)
    told = _told(taken if not day else None, filled, len(inks or latest), opened, said)
    told += _far_days(pd.Series([], dtype="datetime64[ns]"), taken, opened)
    alike = [one.on_command_line for one in readings]
    new = _never_seen(own.index.to_series(), own, opened)
    return Searched({**filled, **own.to_dict()}, taken, alike + new + told)


def day_of(option: str, text: str, opened: Opened) -> pd.Timestamp | None:
    """The day that is meant by a date, ``today`` or ``none``; by an empty text, today where the
    model knows of days. Raises UserError for anything else."""
    import pandas as pd

    from pipelines.tables.dates import EARLIEST, TODAY, iso_day, last_day
    from pipelines.tables.schema import DAYS_AHEAD

    word = text.strip().casefold()
    if word == NONE or (not word and opened.model.last_print is None):
        return None
    try:
        day = date.fromisoformat(iso_day(word or TODAY, option, today()))
    except ValueError:
        do = "write it as 2026-03-31, or none for no day in particular"
        raise UserError(f'{option} "{text}" is not a date; {do}.') from None
    if not EARLIEST.date() <= day <= last_day(today(), DAYS_AHEAD).date():
        said = f'{option} "{text}" is not a date a print can have; check the year.'
        raise UserError(said, Kind.OUT_OF_RANGE)
    return pd.Timestamp(day)


def days_told(
    rows: list[dict[str, str]], called: str = OPTIONS.day
) -> tuple[list[dict[str, str]], list[int]]:
    """Set-ups (column -> text) with ISO dates, and the positions of those that say ``none``, which
    is then left out. Raises UserError, by what a day is ``called``, for one that may be several."""
    from pipelines.tables.dates import iso_day

    told, undated = [], []
    for i, row in enumerate(rows):
        if day := row.get("printed_on", ""):
            none = day.strip().casefold() == NONE
            undated += [i] if none else []
            row = {**row, "printed_on": "" if none else iso_day(day, called, today())}
        told.append(row)
    return told, undated


def _with_lots(
    setups: pd.DataFrame, catalogue: Catalogue
) -> tuple[pd.DataFrame, dict[str, str], list[str]]:
    """Set-ups with the latest lots where they name none, other lots in the spelling first used and
    no lot for ``none``; those lots that were filled in, by ink; and how others were read."""
    from pipelines.tables.lots import spelt

    lots = catalogue.lots
    lot, ink = setups["ink_lot"].astype(object), setups["ink_id"]
    empty = lot.isna() & ink.isin(list(lots))
    none = lot.notna() & (lot.astype(str).str.strip().str.casefold() == NONE)
    own, readings = spelt(ink, lot.mask(none, None), catalogue.spelt)
    filled = {one: lots[one] for one in ink[empty].unique()}
    told = [one.on_command_line for one in readings]
    return setups.assign(ink_lot=own.mask(empty, ink.map(lots))), filled, told


def _never_seen(ink: pd.Series, lot: pd.Series, opened: Opened) -> list[str]:
    """Lots that no print and no card is of: a new one as well as a slip of the pen."""
    known, names = opened.catalogue.spelt, opened.catalogue.called("inks")
    told = []
    for one, text in dict.fromkeys(zip(ink, lot, strict=True)):
        if isinstance(text, str) and text != NEW_LOT and one in known and text not in known[one]:
            near = get_close_matches(text, known[one], n=1)
            meant = f"; is {near[0]} meant?" if near else "."
            told.append(
                f"nothing is known of lot {text} of {named(one, names.get(one))}: taken as a new "
                f"lot{meant}"
            )
    return told


def _told(
    day: pd.Timestamp | None, lots: Mapping[str, str], inks: int, opened: Opened, said: Said
) -> list[str]:
    """Notes on what was taken, of so many ``inks`` asked about."""
    names = opened.catalogue.called("inks")
    taken = [
        f"{lot} of {named(ink, names.get(ink))}" if inks > 1 else lot for ink, lot in lots.items()
    ]
    return reckoned_for(day, taken, said.day, said.lot)


def _far_days(named: pd.Series, taken: pd.Timestamp | None, opened: Opened) -> list[str]:
    """Notes on days long after all that was learnt from, or before it: those ``named`` (n,), and
    the one that was ``taken`` where none was."""
    import pandas as pd

    last = opened.model.last_print
    if last is None:
        return []
    first = opened.model.encoder_.first_day
    days = pd.concat([named, pd.Series([taken])]).dropna()
    notes = []
    if len(days) and (days.max() - last).days > LONG_DAYS:
        notes.append(long_since(last, days.max()))
    if len(days) and (first - days.min()).days > 0:
        notes.append(before_all(first, days.min()))
    return notes
