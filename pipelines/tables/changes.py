"""Recorded changes of presses: what was mended or replaced, and when.

A misspelt press or a day to come would leave a press that was mended predicted as before, so both
refuse the table.
"""

from __future__ import annotations

from datetime import date

import pandas as pd

from pipelines.tables.names import Names, fault, listed
from pipelines.tables.presses import PRESS
from pipelines.tables.schema import CHANGES, PRINTS
from pipelines.workspace.problems import Kind, Problem

DAY = "changed_on"


def check_changes(frame: pd.DataFrame, presses: Names, file: str, today: date) -> list[Problem]:
    """What is wrong with typed changes: of a press nobody knows, or on a day to come."""
    found = []
    for row, press in frame[PRESS].dropna().items():
        if press not in presses:
            found.append(_unknown(press, presses, file, int(row)))
    to_come = frame[DAY] > pd.Timestamp(today)
    for row, day in frame.loc[to_come, DAY].items():
        what = f"{day:%Y-%m-%d} is still to come"
        do = "record a change on the day it is made or later"
        found.append(Problem(file, int(row), DAY, what, do, Kind.OUT_OF_RANGE))
    return found


def undated(prints: pd.DataFrame, changes: pd.DataFrame, file: str) -> list[str]:
    """A note on typed prints without a date on a press that was changed."""
    n = int((prints["printed_on"].isna() & prints[PRESS].isin(changes[PRESS])).sum())
    if not n:
        return []
    rows = "1 print has" if n == 1 else f"{n} prints have"
    return [
        f"{file}: {rows} no date (printed_on) on a press with recorded changes; taken as printed "
        "after the last of them."
    ]


def _unknown(press: str, presses: Names, file: str, row: int) -> Problem:
    if presses.complete:
        return fault(press, presses, CHANGES, PRESS, file, row)
    what = f'no print names a press "{press}"'
    if len(presses):
        what += f"; they name {listed(sorted(presses), presses, 'and')}"
    do = f"correct it, or record the press with its first print ({PRINTS.file})"
    return Problem(file, row, PRESS, what, do, Kind.UNKNOWN, presses.closest(press))
