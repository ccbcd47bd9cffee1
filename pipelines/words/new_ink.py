"""The prints that describe an ink, and what a card of it in white is worth, for a terminal."""

from __future__ import annotations

import pandas as pd

from learn.mixing.tint import TintWorth
from learn.planning.new_ink import InkPlan, Sureness
from learn.shop import UNDERBASE
from pipelines.words.check import DRAWDOWN
from pipelines.words.common import Names, counted, named, percent
from pipelines.words.plan import facts_lines, in_lines, setup_words
from pipelines.words.reasons import ink_words


def ink_block(plan: InkPlan, names: Names, garments: Names, presses: Names | None = None) -> str:
    """The prints that describe an ink as plain text; ``garments``: id -> colour of the cloth."""
    presses = presses or {}
    printed = f"printed {counted(plan.printed, 'time')} so far" if plan.printed else "never printed"
    out = in_lines(
        [
            f"{ink_words(plan.ink_id, names)}: {printed}. Its usual set-ups are taken to be "
            f"{len(plan.usual)} of the shop's, printed with it."
        ]
    )
    if plan.known_from in DRAWDOWN and plan.enough:
        first, which = DRAWDOWN[plan.known_from], "another" if plan.printed else "any"
        out += in_lines([f"Before {which} print: {first}; then strikeoff learn, and ask again."])
    out += [
        "",
        "    nine of ten prints within     straight to production",
        _sureness_line("now", plan.before),
    ]
    for i, row in enumerate(plan.prints.iloc[: plan.enough].to_dict("records"), start=1):
        garment = row["substrate_id"]
        row["base_on"] = [] if pd.isna(row[UNDERBASE[0]]) else [garment]
        cloth = named(garment, garments.get(garment))
        where = row["press_id"]
        press = f"; press {named(where, presses.get(where))}" if pd.notna(where) else ""
        out.append(_sureness_line(str(i), Sureness(row["within_dE00"], row["go"])))
        out += facts_lines(
            [("Print", setup_words(row, names, [garment])), ("On", f"{cloth}{press}")]
        )
    if plan.enough and plan.prints["within_dE00"].iloc[0] >= plan.before.within_dE00:
        out += [
            "",
            *in_lines(
                [
                    "An ink printed once is judged more carefully than one never "
                    "printed; the band narrows from the second print on."
                ]
            ),
        ]
    gain = f"by {max(0.0, plan.next_gain):.2f} dE00"
    if plan.more:
        stop = f"One print more would still narrow that {gain}: raise --most."
    elif plan.enough:
        stop = f"Stop there: one print more would narrow that {gain}, next to nothing."
    else:
        stop = f"No print is needed: one would narrow that {gain}, next to nothing."
    known = plan.other_inks
    stop += (
        f" (The same set-ups with the inks they were printed with: {known.within_dE00:.1f} dE00, "
        f"{percent(known.go)}.)"
    )
    return "\n".join([*out, "", *in_lines([stop])])


def tint_block(worth: TintWorth, names: Names) -> str:
    """What a card of an ink in white is worth, as plain text."""
    white = ink_words(worth.white, names)
    words = (
        f"Where it will be mixed: of its mixes with {white}, nine of ten prints lie within "
        f"{worth.before_dE00:.1f} dE00 of what is predicted. One card of 1 part of it in 4 of "
        f"{white} by weight (drawdowns.csv: mixed_with, and 20 as share_pct) brings that to "
        f"{worth.after_dE00:.1f}."
    )
    return "\n".join(in_lines([words]))


def _sureness_line(label: str, sure: Sureness) -> str:
    within = f"{sure.within_dE00:.1f} dE00 of prediction"
    return f"{label:<4}{within:<30}{percent(sure.go)}"
