"""The words of the local page, from their one file."""

from __future__ import annotations

import tomllib
from datetime import date
from functools import cache
from importlib.resources import files
from types import SimpleNamespace


@cache
def words() -> SimpleNamespace:
    """Every word, by its place: ``words().ask.title``; one that is missing is an error."""
    text = files("pipelines.desk").joinpath("words.toml").read_text(encoding="utf-8")
    return _named(tomllib.loads(text))


def day_words(day: date, how: str = "long") -> str:
    """A day as ``long``, ``short`` or ``month`` of the section ``dates`` puts it, whatever the
    language of the computer.

    >>> day_words(date(2026, 3, 31)), day_words(date(2026, 3, 31), "short")
    ('Tuesday 31 March', 'Tue 31 Mar')
    >>> day_words(date(2026, 3, 31), "month")
    'Mar 2026'
    """
    told = words().dates
    weekday, month = told.weekdays[day.weekday()], told.months[day.month - 1]
    short = {"weekday_short": weekday[: told.letters], "month_short": month[: told.letters]}
    return getattr(told, how).format(
        weekday=weekday, day=day.day, month=month, year=day.year, **short
    )


def _named(told: dict) -> SimpleNamespace:
    return SimpleNamespace(
        **{name: _named(of) if isinstance(of, dict) else of for name, of in told.items()}
    )
