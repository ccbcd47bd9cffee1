"""The screen of ``strikeoff status`` in the words of the press floor."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import pandas as pd

from learn.monitoring.cusum import KINDS
from learn.monitoring.status import Glance, News
from learn.predict.presses import Moved
from pipelines.words.check import FACTORS, advice, thing
from pipelines.words.common import Names, counted, date, named, number, percent
from pipelines.words.verdict import Called

ADVICE = 4  # lines; strikeoff check tells the rest
# Cause of a drift -> what to measure or correct.
REMEDIES = {
    "press": "Print one known job on it, measure the film wet, and check off-contact, blade edge "
    "and pressure; log the date of any change.",
    "lot": "Stir it and draw the bucket down anew; was it thinned, or topped up from another lot?",
    "mesh": "Check tension and stencil of its screens; a worn mesh or a thicker stencil carries "
    "more ink.",
    "blade": "Measure its hardness and look at its edge; a soft or round blade lays more ink.",
    "shop": "Measure the instrument's tile and an old print again first: what every print shows is "
    "often the instrument. Then heat and humidity.",
}


def subject(cause: str, level: str, called: Called) -> str:
    """``Press Automat (P2)``, ``Bright red (C07), lot L03``."""
    match cause:
        case "press":
            return f"Press {named(level, called['press'].get(level))}"
        case "lot":
            ink, lot = level.split(", ", 1)
            return f"{named(ink, called['ink'].get(ink))}, {lot}"
        case "mesh":
            return f"Mesh {level}"
        case "blade":
            return f"Blades of {level}"
        case _:
            return "The whole shop"


def drift_lines(found: pd.DataFrame | None, called: Called) -> Iterator[str]:
    """What has drifted, how much, since when, and what to do; ``called``: what the shop calls its
    inks and presses."""
    if found is None:
        yield "Drift: not looked for; it takes a few jobs with their dates (printed_on)."
        return
    if not len(found):
        yield "Drift: none seen of any press, ink lot, mesh or blade, nor of the whole shop."
        return
    rate = found["false_alarms"].iloc[0]
    yield f"Drift (false alarms: {rate:g} in 1,000 prints of a steady shop):"
    for row in sorted(found.to_dict("records"), key=lambda r: KINDS.index(r["cause"])):
        yield f"  {drift_sentence(row, called)}"
        yield f"    {REMEDIES[row['cause']]}"


def drift_sentence(row: Mapping, called: Called) -> str:
    """``Press Automat (P2) lays 9 % more ink since 3 May 2025 (90 % band 5 to 13 %; ...).``

    How much stronger or weaker a lot is, its own sentence tells (`pipelines.words.lots`): what
    it would take of film is another number.
    """
    who, more = subject(row["cause"], row["level"], called), row["percent"] > 0
    begun = [] if row["since_lo"] == row["since_hi"] else [
        f"it began between {date(row['since_lo'])} and {date(row['since_hi'])}"
    ]  # fmt: skip
    if row["cause"] == "lot":
        how, known = f"prints {'stronger' if more else 'weaker'} than forecast", begun
    else:
        sign = 1 if more else -1
        low, high = sorted((sign * row["lo"], sign * row["hi"]))
        verb = "lay" if row["cause"] == "blade" else "lays"
        how = f"{verb} {abs(row['percent']):.0f} % {'more' if more else 'less'} ink"
        known = [f"90 % band {low:.0f} to {high:.0f} %", *begun]
    told = f" ({'; '.join(known)})" if known else ""
    return f"{who} {how} since {date(row['since'])}{told}."


def moved_lines(found: Iterable[Moved], names: Names) -> Iterator[str]:
    """``Press Automat (P2) lays 27 % less ink since about 3 Mar 2026 (90 % band 20 to 33 %), ...``;
    ``names``: of presses."""
    for one in found:
        more = one.percent > 0
        low, high = sorted(abs(end) for end in (one.lo, one.hi))
        yield (
            f"Press {named(one.press, names.get(one.press))} lays {abs(one.percent):.0f} % "
            f"{'more' if more else 'less'} ink since about {date(one.since)} (90 % band {low:.0f} "
            f"to {high:.0f} %), and no change of it was recorded: reckoned so from then on. If it "
            "was mended or set anew, strikeoff record --change says when; if not, look for why."
        )


def news_line(news: News) -> str | None:
    """What came in since the model learnt."""
    if not news.n:
        return None
    said = f"  {counted(news.n, 'print')} measured since then, not learnt yet"
    if news.n > news.unknown:
        said += (
            f": half of them within {number(news.median_dE00, 2)} dE00 of their prediction, "
            f"{percent(news.coverage90)} in the 90 % bands"
        )
    if news.unknown:
        said += f"; {news.unknown} with something the model has not been told of"
    return f"{said}. strikeoff learn takes them in."


def known_lines(g: Glance, called: Called) -> Iterator[str]:
    """What is poorly known, and what to print or measure next; ``called``: what the shop calls its
    inks, garments and presses."""
    if g.limits is None:
        yield "Too few jobs to say what is poorly known; keep measuring prints as they come."
        return
    yield (
        "Least known: dE00 they add to the scatter of press and instrument, and prints learnt (of "
        "an ink or a mesh on top, of a press since its last change):"
    )
    for factor, word in FACTORS.items():
        own = g.limits[g.limits["factor"] == factor].sort_values("expected", ascending=False)
        told = [
            f"{thing(factor, r.level, called)} {number(r.expected)}, {counted(r.n, 'print')}"
            for r in own.head(4).itertuples()
            if r.expected == r.expected
        ]  # fmt: skip
        if told:
            yield f"  {word:<9}{'; '.join(told)}"
    yield "What to print or measure next:"
    yield from (f"  {i}. {text}" for i, text in enumerate(advice(g, called)[:ADVICE], 1))
