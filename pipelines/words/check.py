"""The validation of a model in the words of the press floor, and what to do about it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import pandas as pd

from learn.assessment.attribution import Budget
from learn.assessment.cross_validation import KindScore
from learn.assessment.reliability import Share
from learn.assessment.report import Checkup
from learn.process import SETTINGS
from pipelines.words.common import counted, named, number, percent
from pipelines.words.verdict import Called

if TYPE_CHECKING:
    from learn.monitoring.status import Glance

Name = Callable[[str, str], str]  # factor, level -> ``Ink Bright red (C08)``
# Situation -> what was kept from the model.
KINDS = {
    "job": "the job",
    "ink": "the ink, every print of it",
    "garment": "the garment, every print on it",
    "mesh": "the mesh, every print through it",
    "press": "the press, every print on it",
    "ground": "the ground's colour, all on it",
    "lot": "the lot of ink, every print of it",
    "later": "the latest weeks at once",
    "outside": "one end of a setting at once",
}
GROUPS = {"ground": "ground colour", "later": "stretch of weeks", "outside": "end"}
MANY = {"mesh": "meshes", "press": "presses", "stretch of weeks": "stretches of weeks"}
FACTORS = {"ink": "Ink", "garment": "Garment", "press": "Press", "mesh": "Mesh"}
# What a drawdown row should add, by what an ink is known from.
DRAWDOWN = {
    "nothing": "draw it down over a white and a black card at a known film",
    "one backing": "draw it down over the card that is missing, white or black",
    "Lab": "measure the spectra of its drawdowns, which are Lab only",
}
RECORDED = 0.75  # share of prints that fill a column, from which it counts as written down
FEW = 8  # prints; below, more prints are the answer
UNEVEN = 0.35  # mean scatter as a share of the tolerance, from which one in ten or so is lost
SURELY = 2.0  # sd: of two dozen inks and garments some are one off by chance
APART = "the scatter of press and instrument apart"
THIN = 0.2  # dE00 beyond scatter that is worth an advice
MOST_ADVICE = {"ink": 3, "garment": 2, "press": 1, "mesh": 1}


def thing(factor: str, level: str, called: Called | None) -> str:
    """``Bright red (C08)``; ``called`` as in `advice`."""
    return named(level, (called or {}).get(factor, {}).get(level))


def bounds(share: Share) -> str:
    """The 95 % interval of a share."""
    return f"{100 * share.lo:.0f} to {100 * share.hi:.0f}"


def bands_verdict(kind: KindScore) -> str:
    """Whether 90 % bands held what they promise, as far as so many prints can tell."""
    low, high = kind.coverage.lo, kind.coverage.hi
    if high < 0.9:
        return "too narrow"
    if low > 0.9:
        return "too wide"
    return "hold" if high - low < 0.15 else "too few"


def strayed(row: Any) -> str:
    """What to say of a bin of stated chances (a row of `reliability`); nothing where it holds."""
    if row.holds:
        return ""
    return "   came more often" if row.observed > row.stated else "   came less often"


def groups(kind: KindScore) -> str:
    """``23 inks``: what errs together in this kind."""
    name = GROUPS.get(kind.kind, kind.kind)
    return counted(kind.groups, name, MANY.get(name))


def parts(budget: Budget) -> str:
    """Where the mean error comes from."""
    return (
        f"A print lands {number(budget.error, 2)} dE00 from its prediction on average. Scatter of "
        f"press and instrument alone makes {number(budget.scatter, 2)} of that (the instrument by "
        f"itself {number(budget.instrument, 2)}); more knowledge can take away "
        f"{number(budget.removable, 2)} at most."
    )


def advice(c: Checkup | Glance, called: Called | None = None) -> list[str]:
    """What to do next, the most worthwhile first; one sentence or two each. ``called``: what the
    shop calls its inks, garments and presses."""
    limits, budget = c.limits, c.budget
    if limits is None or budget is None:
        return []

    def name(factor: str, level: str) -> str:
        return f"{FACTORS[factor]} {thing(factor, level, called)}"

    found = _by_level(c, limits, budget, name)
    out = [text for _, text in sorted(found, key=lambda pair: -pair[0])]
    uneven = limits[(limits["n"] >= FEW) & (limits["factor"] == "ink")]
    if len(uneven):
        worst = uneven.loc[uneven["scatter"].idxmax()]
        if worst["scatter"] > max(1.3 * budget.scatter, UNEVEN * c.tolerance_dE00):
            out.append(
                f"{name('ink', worst['level'])}: its prints of one set-up scatter by "
                f"{number(worst['scatter'])} dE00, more than those of any other ink; no test "
                "print settles that. Keep its film even (blade, off-contact, flood), or agree a "
                "wider tolerance for it."
            )
    if budget.removable < 0.25 * budget.scatter:
        steadier = "more readings a print" if _instrument_rules(budget) else "a steadier press"
        out.append(
            "Over all, what is left is mostly scatter of press and instrument: for known inks and "
            f"garments {steadier} will do more than more prints."
        )
    return out or ["Nothing stands out; keep measuring prints as they come."]


def _instrument_rules(budget: Budget) -> bool:
    return budget.instrument > 0.7 * budget.scatter


def _by_level(
    c: Checkup | Glance, limits: pd.DataFrame, budget: Budget, name: Name
) -> Iterator[tuple[float, str]]:
    """The levels that stand out: dE00 at stake, and the advice."""
    for factor, most in MOST_ADVICE.items():
        levels = limits[limits["factor"] == factor]
        vague = levels["expected"] > max(THIN, 1.5 * levels["expected"].median())
        new = levels[vague & (levels["n"] == 0)]
        for known, rows in new.groupby(new["level"].map(lambda x: c.known_from.get(x, ""))):
            yield rows["expected"].max(), _never_printed(factor, known, rows, c, name)
        surely = levels["beyond"] - SURELY * levels["beyond_sd"]
        astray = surely > max(THIN, budget.removable)
        printed = levels["n"] > 0
        few = printed & (levels["n"] < FEW) & (vague | astray)
        many = (levels["n"] >= FEW) & astray
        for row in levels[few | many].head(most).to_dict("records"):
            if row["n"] < FEW:
                yield row["worst"], _few(row, c, name)
            else:
                yield row["beyond"], _astray(row, c, name)


def _never_printed(
    factor: str, known_from: str, rows: pd.DataFrame, c: Checkup | Glance, name: Name
) -> str:
    names = rows["level"].astype(str).tolist()
    first = [name(factor, one).removeprefix(f"{FACTORS[factor]} ") for one in names[:6]]
    shown = ", ".join(first) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    each = " of each" if len(names) > 1 else ""
    never = "no print since its last change" if factor == "press" else "never printed"
    what = (
        f"{FACTORS[factor]} {shown}: {never}; usual set-ups would land up to "
        f"{number(rows['expected'].max())} dE00 off, {APART}. "
    )
    if factor == "ink":
        return f"{what}{_describing(names, known_from)}"
    return f"{what}Two prints{each}, {_two_prints(factor, c)}, will tell."


def _describing(inks: list[str], known_from: str) -> str:
    """How to get to know inks: what lacks of their drawdowns, then the prints that tell most."""
    each = " of each" if len(inks) > 1 else ""
    told = f"strikeoff new-ink --ink {inks[0]} names the prints{each} that tell most."
    more = DRAWDOWN.get(known_from)
    return f"First {more}; then {told}" if more else told


def _few(row: dict, c: Checkup | Glance, name: Name) -> str:
    factor, level, n = row["factor"], row["level"], row["n"]
    with_, partner = ("on", "garment") if factor == "ink" else ("with", "ink")
    known = f"known from {counted(n, 'print')} {with_} {counted(row['partners'], partner)} only"
    if math.isnan(row["expected"]):  # a base printed by itself: no set-up is usual with it on top
        return (
            f"{name(factor, level)}: {known}. Print it alone on a white and on a black garment: "
            "that will tell."
        )
    what = (
        f"{name(factor, level)}: {known}; usual set-ups with it should land "
        f"{number(row['expected'])} dE00 off, {APART}, and {_share(row['tests'])} a test print. "
    )
    if factor == "ink":
        return f"{what}{_describing([level], c.known_from.get(level, ''))}"
    return f"{what}Two more prints, {_two_prints(factor, c)}, will tell."


def _share(tests: float) -> str:
    """How many of some set-ups want something, of a hundred.

    >>> _share(0.004), _share(0.79)
    ('none of them wants', '79 % of them want')
    """
    return "none of them wants" if round(100 * tests) == 0 else f"{percent(tests)} of them want"


def _two_prints(factor: str, c: Checkup | Glance) -> str:
    """Which two prints tell most; a shop that never prints a base is not told to."""
    grounds = "one bare and one over the base" if c.recorded.get("underbase_ink_id") else ""
    return {
        "garment": f"{grounds}, with well-known inks" if grounds else "with well-known inks",
        "press": "of well-known jobs",
        "mesh": "with well-known inks, the stencil measured",
    }[factor]


def _astray(row: dict, c: Checkup | Glance, name: Name) -> str:
    return (
        f"{name(row['factor'], row['level'])}: {counted(row['n'], 'print')}, and still "
        f"{number(row['beyond'])} dE00 off, {APART}; something about it is not in the tables. "
        f"{_cause(row['factor'], row['level'], c)}"
    )


def _cause(factor: str, level: str, c: Checkup | Glance) -> str:
    def gap(column: str) -> float:
        return c.recorded.get(column, 0.0)

    if factor == "ink":
        if more := DRAWDOWN.get(c.known_from.get(level, "")):
            return f"{more[0].upper()}{more[1:]}."
        if gap("ink_lot") < RECORDED:
            return f"Write down its lot: {percent(gap('ink_lot'))} of all prints have one."
        return "Draw down the bucket in use anew, and note thinner or additives as a lot."
    if factor == "garment":
        return "Measure a bare piece of each delivery as a garment of its own: dye lots differ."
    if factor == "press":
        wanted = {"printed_on": "date"} | {s.name: s.word for s in SETTINGS if s.place == "press"}
        missing = [f"the {word}" for column, word in wanted.items() if gap(column) < 0.9]
        if missing:
            return f"Write down {', '.join(missing)} with every print."
        return "Print and measure one known job on it every week, so that its drift is seen."
    for s in SETTINGS:
        if s.place == "screen" and gap(s.name) < RECORDED:
            return f"Measure its {s.word}: {percent(gap(s.name))} of all prints tell it."
    return "Check the screens' tension and true count; a worn mesh carries more ink."


def report(c: Checkup, called: Called | None = None) -> list[str]:
    """The whole of it for a terminal; ``called`` as in `advice`."""
    lines = [
        f"{counted(c.n_prints, 'print')} of {counted(c.n_jobs, 'job')}, each predicted without "
        f"what is named; {c.n_set_aside} set aside as plainly wrong.",
        "Half of them came within so many dE00 of what was predicted: as learnt, by physics alone, "
        "by the nearest past print.",
        "Floor: what press and instrument alone scatter; in brackets: where the share lies, 19 "
        "times in 20.",
        "",
        f"{'left out':<34}{'prints':>7}{'floor':>7}{'learnt':>8}{'physics':>9}{'nearest':>9}"
        f"   {'in 90 % bands':<17}{'+-':>5}  bands",
    ]
    for k in c.kinds:
        nearest = "none" if k.nearest is None else number(k.nearest, 2)
        held = f"{percent(k.coverage.share)} ({bounds(k.coverage)})"
        lines.append(
            f"{KINDS[k.kind]:<34}{k.n:>7}{number(k.floor, 2):>7}{number(k.error, 2):>8}"
            f"{number(k.physics, 2):>9}{nearest:>9}   {held:<17}{number(k.half_width):>5}  "
            f"{bands_verdict(k)}"
        )
    lines += ["", *_chance_lines(c), "", *_curve_lines(c), "", parts(c.budget)]
    lines.append(f"Farthest off, {APART}: dE00 of past prints, and to expect of usual set-ups:")
    for factor, word in FACTORS.items():
        top = c.limits[c.limits["factor"] == factor].head(3).to_dict("records")
        if top:
            each = [
                f"{thing(factor, r['level'], called)} {_past(r['beyond'])} and "
                f"{number(r['expected'], 2)}, {counted(r['n'], 'print')}"
                for r in top
            ]
            lines.append(f"  {word + ':':<10}{'; '.join(each)}")
    told = advice(c, called)
    return [*lines, "", "What to do:", *(f"  {i}. {a}" for i, a in enumerate(told, 1))]


def _past(beyond: float) -> str:
    """How far past prints lay off, scatter apart; those that lay nearer than that are not off."""
    return "-" if beyond != beyond else number(max(beyond, 0.0), 2)


def _chance_lines(c: Checkup) -> Iterator[str]:
    waved, held = c.chances.waved, c.chances.held
    yield (
        f"From a chance of {percent(c.chance_needed)} on, {percent(waved.share)} of past prints "
        f"would have gone straight to production; {percent(held.share)} of those ({bounds(held)}) "
        f"came within {c.tolerance_dE00:g} dE00."
    )
    table = c.chances.targets
    yield (
        "Stated chance to hit a made-up target -> observed share (where it lies, 19 times in 20), "
        "cases:"
    )
    for row in table.itertuples():
        yield (
            f"  {percent(row.stated):>5} -> {percent(row.observed):>5} "
            f"({100 * row.lo:.0f} to {100 * row.hi:.0f}), {row.n}{strayed(row)}"
        )


def _curve_lines(c: Checkup) -> Iterator[str]:
    if c.curve is None:
        yield "What more prints are worth was left out (--quick)."
        return
    order = "in time order" if c.by_date else "in random order, as most prints have no date"
    yield f"What more prints were worth, jobs {order}: learnt from -> the jobs that follow"
    for p in [*c.curve, c.today]:
        whole = "" if p is not c.today else "   all, each job left out"
        yield (
            f"  {p.n:>6} prints   half within {number(p.error[0], 2)} dE00   in bands "
            f"{percent(p.coverage.share)}   test print wanted {percent(p.tests.share)}{whole}"
        )
    if not c.curve:
        yield "  (the history is too short to learn from a part of it)"
