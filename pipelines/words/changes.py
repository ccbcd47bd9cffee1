"""Recorded changes of presses in the words of the press floor."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pandas as pd

from learn.fit.eras import presses_of
from learn.shop import Shop
from pipelines.words.common import counted, date, named


def change_lines(shop: Shop) -> Iterator[str]:
    """The latest change of every press, and how many prints in use came since:
    ``Press P2: new blade on 3 May 2026; 4 prints since.``"""
    now = presses_of(shop)
    latest = shop.changes.sort_values("changed_on", kind="stable").groupby("press_id").tail(1)
    for change in latest.sort_values("press_id").to_dict("records"):
        since = int((now == change["press_id"]).sum())
        told = (
            f"{counted(since, 'print')} since" if since else "no print since, so its bands are wide"
        )
        what, day = change["what"], date(change["changed_on"])
        yield f"Press {_called(shop, change['press_id'])}: {what} on {day}; {told}."


def recorded_line(change: Mapping[str, str], shop: Shop, batch: int | None) -> str:
    """What is told of a change (cells of ``changes.csv``) once it is stored; ``shop`` as it was
    before, ``batch`` None where it is not stored."""
    press, day = change["press_id"], pd.Timestamp(change["changed_on"])
    head = "Would be recorded" if batch is None else f"Recorded as batch {batch}"
    since = _since(shop, press, day)
    then = (
        f"{counted(since, 'print')} since then: strikeoff learn takes them apart from those before"
        if since
        else "what it printed before says nothing of how it prints now, and its bands stay wide "
        "until prints since are recorded"
    )
    return f"{head}: press {_called(shop, press)}, {change['what']} on {date(day)}. " + (
        f"{then[0].upper()}{then[1:]}."
    )


def _since(shop: Shop, press: str, day: pd.Timestamp) -> int:
    prints = shop.prints[shop.prints["press_id"] == press]
    return int((prints["printed_on"] >= day).sum())


def _called(shop: Shop, press: str) -> str:
    names = dict(zip(shop.presses["press_id"], shop.presses["press_name"], strict=True))
    return named(press, names.get(press))
