"""Days as people write them, turned into ISO dates where a column leaves no doubt."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pandas as pd

from pipelines.tables.schema import GRACE_DAYS
from pipelines.workspace.problems import Findings, Kind, UserError

TODAY = "today"
EARLIEST = pd.Timestamp(1950, 1, 1)  # no print is older

_DOTTED = re.compile(r"([0-3]?[0-9])\.([01]?[0-9])\.((?:19|20)[0-9]{2})")
_YEAR_FIRST = re.compile(r"((?:19|20)[0-9]{2})/([01]?[0-9])/([0-3]?[0-9])")
_SLASHED = re.compile(r"([0-3]?[0-9])/([0-3]?[0-9])/((?:19|20)[0-9]{2})")
_ISO = r"[0-9]{4}-[0-9]{2}-[0-9]{2}.*"
_SHORT_YEAR = re.compile(r"[0-3]?[0-9]([./-])[0-3]?[0-9]\1[0-9]{2}")


def last_day(today: date | None = None, ahead: int = GRACE_DAYS) -> pd.Timestamp:
    """The last day that a date can be of so many days ahead; of a measured print, tomorrow."""
    return pd.Timestamp((today or date.today()) + timedelta(days=ahead))


def iso_day(text: str, called: str, today: date | None = None) -> str:
    """A day that is given by itself, as an ISO date: ``today``, or as :func:`iso_dates` reads it.

    What is no date stays. Raises UserError, by what it is ``called``, where it may be several days.
    """
    if text.strip().casefold() == TODAY:
        return (today or date.today()).isoformat()
    findings = Findings()
    day = iso_dates(pd.Series([text], [2], dtype=object), called, "", findings).iloc[0]
    for problem in findings.problems:
        raise UserError(f"{called}: {problem.what}; {problem.do}.", problem.kind)
    return str(day).strip()


def iso_dates(cells: pd.Series, column: str, file: str, findings: Findings) -> pd.Series:
    """The cells with ISO dates for day.month.year, year/month/day, and for the slashed ones.

    Slashed dates are day first or month first as some of the column can only be; where none
    decides, or some say one and some the other, it is a problem, and they come back empty; so it is
    beside ISO dates, which a spreadsheet may have made of others by its own order. Cells that are
    no date stay too: they are told where the column is typed.
    """
    text = cells.str.strip()
    short = text.map(lambda cell: bool(_SHORT_YEAR.fullmatch(cell))).astype(bool)
    if short.any():
        row = int(short.idxmax())
        what = f'"{text[row]}" may be several days: its year has two figures'
        findings.problem(file, row, column, what, "write it as 2026-03-31", Kind.AMBIGUOUS)
    out = text.map(_plain).fillna(cells)
    slashed = {int(row): found for row, cell in text.items() if (found := _SLASHED.fullmatch(cell))}
    iso = text.str.fullmatch(_ISO).astype(bool)
    if slashed and iso.any():
        row, other = min(slashed), int(iso.idxmax())
        what = f'"{text[row]}" stands beside {text[other]} in row {other}: a spreadsheet may have '
        what += "turned day and month of some round"
        findings.problem(file, row, column, what, "write all as 2026-03-31", Kind.AMBIGUOUS)
        return out.mask(out.index.isin(list(slashed)), "")  # told once
    readings = {row: (_day(m[3], m[2], m[1]), _day(m[3], m[1], m[2])) for row, m in slashed.items()}
    day_first = [row for row, (one, other) in readings.items() if one and not other]
    month_first = [row for row, (one, other) in readings.items() if other and not one]
    open_ = [row for row, (one, other) in readings.items() if one and other and one != other]
    if day_first and month_first:
        one, other = day_first[0], month_first[0]
        what = f'"{text[one]}" can only be day first, "{text[other]}" in row {other} month first'
        findings.problem(file, one, column, what, "write all as 2026-03-31", Kind.AMBIGUOUS)
        return out.mask(out.index.isin(list(slashed)), "")  # told once
    if open_ and not day_first and not month_first:
        row = open_[0]
        either = " or ".join(f"{d.day} {d:%B %Y}" for d in readings[row] if d)
        what = f'"{text[row]}" may be {either}'
        do = "write it as 2026-03-31"
        if len(cells) > 1:
            what += ", and no other date of the column tells which"
            do = "write all as 2026-03-31"
        findings.problem(file, row, column, what, do, Kind.AMBIGUOUS)
        return out.mask(out.index.isin(list(slashed)), "")  # told once
    for row, (by_day, by_month) in readings.items():
        if (meant := by_month if month_first else by_day) is not None:
            out[row] = meant.isoformat()
    return out


def _plain(cell: str) -> str | None:
    """A date that can be read in one way only, by itself."""
    if found := _DOTTED.fullmatch(cell):
        day = _day(found[3], found[2], found[1])
    elif found := _YEAR_FIRST.fullmatch(cell):
        day = _day(found[1], found[2], found[3])
    else:
        return None
    return day.isoformat() if day else None


def _day(year: str, month: str, day: str) -> date | None:
    try:
        return date(int(year), int(month), int(day))
    except ValueError:
        return None
