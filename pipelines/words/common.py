"""Words and numbers that every screen and page writes alike."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date as Date
from math import floor

AS_WELL = " (new: a lot never printed; none: no particular one)"
Names = Mapping[str, str | None]  # id -> what the shop calls it


def counted(n: float, noun: str, plural: str | None = None) -> str:
    """``1 print``, ``12 prints``, ``2 flashes``.

    >>> counted(1, "print"), counted(2.0, "flash", "flashes")
    ('1 print', '2 flashes')
    """
    return f"{n:.12g} {noun if n == 1 else plural or noun + 's'}"


def type_words(ink_type: str) -> str:
    """A type of ink as it is said.

    >>> type_words("water_based")
    'water-based'
    """
    return ink_type.replace("_", "-")


def named(code: object, *names: object | None) -> str:
    """A thing by its name, its code behind; by its code alone where it has no name.

    >>> named("G02", "Black", "cotton"), named("C12", None)
    ('Black, cotton (G02)', 'C12')
    """
    words = ", ".join(str(name) for name in names if name)
    return f"{words} ({code})" if words else str(code)


def listed(words: Sequence[str], last_by: str = "and") -> str:
    """Several things in one phrase.

    >>> listed(["darker", "duller", "bluer"]), listed(["darker"]), listed(["red", "blue"], "or")
    ('darker, duller and bluer', 'darker', 'red or blue')
    """
    *first, last = words
    return f"{', '.join(first)} {last_by} {last}" if first else last


def number(value: float | None, digits: int = 1) -> str:
    """A number with fixed decimals; a dash where it is not known; never ``-0.0``.

    >>> number(2.345, 2), number(-0.01), number(float("nan"))
    ('2.35', '0.0', '-')
    """
    if value is None or value != value:
        return "-"
    return f"{round(float(value), digits) + 0.0:.{digits}f}"


def chance(p: float | None) -> str:
    """A probability in whole percent, rounded down, so that it never claims certainty, nor the
    90 % from which a set-up goes where it has but 89.8.

    >>> chance(0.004), chance(0.898), chance(0.93), chance(1.0), chance(None)
    ('under 1 %', '89 %', '93 %', 'over 99 %', 'not known')
    """
    if p is None or p != p:
        return "not known"
    if p < 0.01:
        return "under 1 %"
    if p > 0.99:
        return "over 99 %"
    return percent(floor(100 * p + 1e-9) / 100)


def missing(p: float) -> str:
    """The chance of the contrary, in whole percent: with :func:`chance` it makes a hundred.

    >>> missing(0.035), missing(0.004), missing(0.999)
    ('97 %', 'over 99 %', 'under 1 %')
    """
    if p < 0.01 or p > 0.99:
        return chance(1 - p)
    return percent(1 - floor(100 * p + 1e-9) / 100)


def of_others(spared: float) -> str:
    """How many test prints of other jobs one more leads to expect: fewer, or more.

    >>> of_others(0.72), of_others(-1.04), of_others(0.01)
    ('0.7 fewer', '1.0 more', 'as many')
    """
    if abs(spared) < 0.05:
        return "as many"
    return f"{abs(spared):.1f} {'fewer' if spared > 0 else 'more'}"


# The chance from which a thing is said as it is, and from which it is probably so.
SURE, LIKELY = 0.9, 0.5


def perhaps(p: float) -> str:
    """What stands before something of which the chance is ``p``.

    >>> perhaps(0.97), perhaps(0.7), perhaps(0.3)
    ('', 'probably ', 'perhaps ')
    """
    return "" if p >= SURE else "probably " if p >= LIKELY else "perhaps "


def percent(share: float) -> str:
    """A share in whole percent.

    >>> percent(0.914)
    '91 %'
    """
    return f"{100 * share:.0f} %"


# dE00 up to which two colours side by side look the same, and up to which the difference is just
# visible; common practice, no source.
SAME_dE00, JUST_dE00 = 1.0, 2.0


def seen(dE00: float) -> str:
    """What a difference is to the eye.

    >>> seen(0.6), seen(1.4), seen(7.0)
    ('looks the same', 'just visible', 'visible')
    """
    if dE00 <= SAME_dE00:
        return "looks the same"
    return "just visible" if dE00 <= JUST_dE00 else "visible"


def known_by(prints: int, drawn: bool | None = None) -> str:
    """How well something is known by its prints; ``drawn``: whether an ink has drawdowns.

    >>> known_by(40), known_by(3), known_by(0, drawn=True)
    ('well', 'from few prints', 'never printed; by its drawdowns')
    """
    if prints:
        return "well" if prints >= 20 else "fairly" if prints >= 8 else "from few prints"
    if drawn is None:
        return "never printed"
    return f"never printed; {'by its drawdowns' if drawn else 'not measured by itself'}"


def date(day: Date) -> str:
    """``3 May 2025``"""
    return f"{day.day} {day:%b %Y}"


def reckoned_for(day: Date | None, lots: Collection[str], by_day: str, by_lot: str) -> list[str]:
    """What was taken as asked where no day or no lot was named, and how it is (``by_day``,
    ``by_lot``; empty where it cannot be).

    >>> from datetime import date
    >>> reckoned_for(date(2026, 11, 28), [], "--date", "--lot")
    ['reckoned for today, 28 Nov 2026; --date names another, or none.']
    """
    one = next(iter(lots), None)
    taken = [] if day is None else [(f"today, {date(day)}", by_day)]
    if one is not None:
        which = f"lot {one}, the latest printed" if len(lots) == 1 else "the latest lot of each ink"
        taken.append((which, by_lot))
    if not taken:
        return []
    what, by = ", and ".join(words for words, _ in taken), [name for _, name in taken if name]
    if not by:
        return [f"reckoned for {what}."]
    how = f"{' and '.join(by)} {'name others' if by[1:] else 'names another'}"
    return [f"reckoned for {what}; {how}{AS_WELL if one is not None and by_lot else ', or none'}."]


def before_all(first: Date, day: Date) -> str:
    """Told where a set-up is of a ``day`` before the first print that was learnt from.

    >>> from datetime import date
    >>> before_all(date(2025, 1, 7), date(1999, 1, 1))[:47]
    '1 Jan 1999 lies before all prints, the first of'
    """
    return (
        f"{date(day)} lies before all prints, the first of which is of {date(first)}: how the "
        "presses were then, none of them tells."
    )


def long_since(last: Date, day: Date) -> str:
    """Told where the last print that was learnt from lies long before ``day``.

    >>> from datetime import date
    >>> long_since(date(2025, 12, 19), date(2026, 11, 28))[:70]
    'the last print learnt from is of 19 Dec 2025, 11 months before: bands '
    """
    months = round((day - last).days / 30.44)
    gone = counted(months, "month") if months < 24 else counted(months // 12, "year")
    return (
        f"the last print learnt from is of {date(last)}, {gone} before: bands are wider by what "
        "may have changed since."
    )


def minute(at: str) -> str:
    """A stored time (ISO, UTC) to the minute, as it is told.

    >>> minute("2026-03-31T08:15:02+00:00")
    '2026-03-31 08:15'
    """
    return at[:16].replace("T", " ")
