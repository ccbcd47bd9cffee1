"""Which presses a shop has: those of its table of presses, and those its prints name.

A shop need not keep a table. Then any press may be named, and one that no print names is told;
with a table it is refused, for a misspelt press would be learnt and predicted as another one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pandas as pd

from pipelines.tables.names import LISTED, Known, Names, Phrase, fault, new_press, words_of
from pipelines.tables.schema import PRESSES, PRINTS
from pipelines.workspace.problems import Problem

PRESS = "press_id"


def press_words(
    table: pd.DataFrame | None, printed: Iterable[str]
) -> dict[str, dict[str, str | None]]:
    """Press -> what it is called, of the typed table and of the presses that prints name."""
    own = {} if table is None else words_of(PRESSES.name, table, PRESS)
    words = {one: {**told, LISTED: "yes"} for one, told in own.items()}
    return words | {one: {} for one in printed if one not in words}


def printed_on(cells: pd.DataFrame | None) -> list[str]:
    """The presses that prints name, given as text or typed."""
    if cells is None or PRESS not in cells:
        return []
    return [one for one in cells[PRESS].dropna().str.strip().unique().tolist() if one]


def unlisted(cells: pd.DataFrame, names: Names) -> list[Problem]:
    """A problem for every press in the text cells of ``prints`` that the shop's table lacks."""
    if not names.complete or PRESS not in cells:
        return []
    text = cells[PRESS].str.strip()
    problems = []
    for one in printed_on(cells):
        if one in names:
            continue
        rows = text.index[text == one]
        problem = fault(one, names, PRINTS, PRESS, PRINTS.file, int(rows[0]))
        more = len(rows) - 1
        what = problem.what + (f" (and {more} more row{'s' * (more > 1)})" if more else "")
        problems.append(replace(problem, what=what))
    return problems


def new_presses(frame: pd.DataFrame, known: Known) -> list[str]:
    """A note for every press in typed set-ups that nothing names, where there is no table."""
    names = known.get(PRESSES.name)
    if names is None or names.complete:
        return []
    told = [new_press(one, names) for one in printed_on(frame) if one not in names]
    return [note for note in told if note]


def spelt_apart(cells: pd.DataFrame, file: str) -> list[str]:
    """A note for presses of prints that differ by case, blanks or hyphens alone."""
    groups: dict[frozenset[str], list[str]] = {}
    for one in printed_on(cells):
        groups.setdefault(Phrase.of(one).joined, []).append(one)
    text = cells[PRESS].str.strip() if groups else pd.Series(dtype=str)
    told = []
    for spelling, alike in groups.items():
        if spelling and len(alike) > 1:
            counted = " and ".join(f'"{one}" ({int((text == one).sum())})' for one in alike)
            do = "write them alike if they are one"
            told.append(f"{file}: presses {counted} are taken as different ones; {do}.")
    return told
