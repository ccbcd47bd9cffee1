"""A plan, recipes and a correction in the words of the press floor, for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterable, Iterator, Mapping

import numpy as np
import pandas as pd

from learn.mixing.recipes import Recipes
from learn.mixing.top_up import TopUp
from learn.normal import Z90
from learn.planning.plan import Plan
from learn.planning.reasons import UNLIKELY
from learn.predict.causes import Verdict
from learn.shop import ShopSettings
from pipelines.words.common import (
    Names,
    chance,
    counted,
    listed,
    named,
    number,
    type_words,
)
from pipelines.words.prediction import go_from
from pipelines.words.reasons import PlanWords, base_words, ink_words, strokes_words
from pipelines.words.verdict import HEADLINES, kind, line_reason, top_up_reason

WIDTH = 96
RECIPE_HEAD = f"    {'chance of all':<35}{'worst garment, dE00':<30}apart"
# How much nine of ten inks do in a mix, at most so many times what their own films say.
TIMES = {
    2: "half to double",
    3: "a third to three times",
    4: "a quarter to four times",
    6: "a sixth to six times",
}


def by_model(version: str) -> str:
    """Which version of the model a plan rests on; strikeoff models tells how good it is."""
    return f"By model {version}."


def plan_block(
    plan: Plan,
    names: Names,
    shades: pd.DataFrame,
    s: ShopSettings,
    presses: Names | None = None,
    garments: Names | None = None,
) -> str:
    """The whole plan as plain text; ``names``: ink -> what the shop calls it; ``presses`` and
    ``garments`` too."""
    words, told = PlanWords(plan, names, presses, garments), dict[str, int]()
    things = {"ink": names, "press": presses or {}, "garment": garments or {}}
    best = best_line(plan.lines.iloc[0], plan.tolerance, plan.garments)
    answer, why_not = words.misses() if plan.in_the_way else (best, "")
    out = [
        *in_lines([answer]),
        *_asked(plan, words, names, garments),
        "",
        f"{RECIPE_HEAD}     passes  film",
    ]
    for i, line in enumerate(plan.lines.to_dict("records"), start=1):
        out.append(_numbers_line(i, line, plan, garments))
        why = words.why(line)
        first = told.setdefault(why, i)
        facts = [
            ("Print", setup_words(line, names, plan.garments, garments)),
            ("Change", words.changes(line)),
        ]
        facts += [("Why", why if first == i else f"as line {first}")] if why else []
        if line["smallest_change"]:
            facts.append(("Note", "changes least of the lines that land"))
        told_why = line_reason(line, plan.tolerance, len(plan.garments), things)
        facts += [("Verdict", told_why)] if told_why else []
        out += facts_lines(facts)
    out += ["", *in_lines([why_not]), *in_lines([cost_words(plan.lines, s)])]
    out += ["", *_shade_lines(shades, names, plan.tolerance, plan.garments, garments)]
    out.append(f"{counted(len(shades), 'ink')} compared, {plan.n_candidates:,} set-ups looked at.")
    return "\n".join(out)


def best_line(line: Mapping, tolerance: float, garments: Collection[str]) -> str:
    """The answer: what becomes of the first line."""
    where = " on every garment" if len(garments) > 1 else ""
    return (
        f"Line 1: {HEADLINES[kind(line)].upper()}, {chance(line['p_all'])} within "
        f"{tolerance:g} dE00 of the target{where}."
    )


def _asked(plan: Plan, words: PlanWords, names: Names, garments: Names | None) -> list[str]:
    """What was asked for, and what would come of the usual set-up."""
    usual = f"{chance(plan.usual['p_all'])}, {words.usual_miss()}"
    with_what = setup_words(plan.usual, names, plan.garments, garments)
    asked = target_words(plan.target, plan.tolerance, plan.garments, garments)
    return head_lines([("Target", asked), ("As usual", f"{usual} ({with_what})")])


def target_words(
    target: Iterable[float], tolerance: float, garments: Iterable[str], called: Names | None
) -> str:
    """``L 33.0 a 50.0 b 24.0 on Black (G02), tolerance 2 dE00``"""
    L, a, b = target
    on = cloths(garments, called)
    return f"L {L:.1f} a {a:.1f} b {b:.1f} on {on}, tolerance {tolerance:g} dE00"


def head_lines(facts: Iterable[tuple[str, str]]) -> list[str]:
    """Headings and what stands beside them, under the answer."""
    return _beside(facts, 2, 10)


def cloths(garments: Iterable[str], called: Names | None) -> str:
    """``Black (G02), White (G01)``: once, before lines that have room for their codes alone."""
    return ", ".join(named(one, (called or {}).get(one)) for one in garments)


def setup_words(
    line: Mapping, names: Names, garments: list[str], called: Names | None = None
) -> str:
    """Ink, screen and base of a line in one phrase; ``called``: what the shop calls garments."""
    words = f"{ink_words(line['ink_id'], names)} through {line['mesh_id']}, "
    words += strokes_words(line["strokes"], line["flash_count"])
    return f"{words}; {base_words(line, garments, names, called)}"


def cost_words(lines: pd.DataFrame, s: ShopSettings) -> str:
    """What the decision rests on, and where it would turn."""
    least, by_cost = go_from(s)
    if not by_cost or s.cost_test_print is None or s.cost_spoiled_print is None:
        return (
            f"Straight to production from a chance of {100 * least:.0f} %, the shop's confidence. "
            "With the costs of a test print and of a spoiled run in shop.toml, cost weighs it."
        )
    best = lines.iloc[0]
    words = (
        f"At {s.cost_test_print:g} for a test print and {s.cost_spoiled_print:g} for a spoiled "
        f"run, straight to production from {100 * least:.0f} %. Line 1"
    )
    if best["verdict"] == Verdict.CHANGE:
        return f"{words} has its set-up to change first, whatever a run costs."
    words += f" is expected to cost {best['expected_cost']:.0f}"
    if best["verdict"] == Verdict.TEST:
        if best["turns_at"] <= 1.02 * s.cost_test_print:
            return f"{words}; it would be tested first at any cost of a spoiled run."
        turns = (
            f"would go straight to production if a spoiled run cost under {best['turns_at']:.0f}"
        )
    elif best["turns_at"] > 50 * s.cost_spoiled_print:
        turns = "goes straight to production even if a spoiled run cost fifty times as much"
    else:
        turns = f"would be tested first if a spoiled run cost over {best['turns_at']:.0f}"
    return f"{words}; it {turns}."


def recipes_block(
    found: Recipes, names: Names, s: ShopSettings, kg: float, called: Names | None = None
) -> str:
    """Recipes as plain text; ``called``: garment -> what the shop calls it."""
    out = [RECIPE_HEAD]
    garments, things = found.garments, {"ink": names, "garment": called or {}}
    for i, line in enumerate(found.lines.to_dict("records"), start=1):
        own = found.colours[found.colours["line"] == i]
        worst = own.loc[own["dE00"].idxmax(), "substrate_id"]
        line |= {"worst_garment": worst}
        out.append(_luck(i, line, garments, called).rstrip())
        parts = [
            f"{number(percent, 2)} % {ink_words(ink, names)} ({1000 * kg * percent / 100:.0f} g)"
            for ink, percent in zip(line["inks"], line["percent"], strict=True)
        ]
        facts = [("Mix", "; ".join(parts))]
        if not pd.isna(line["price"]):
            facts.append(("Price", f"{line['price']:.2f} a kg"))
        told_why = line_reason(line, found.tolerance, len(garments), things)
        facts += [("Verdict", told_why)] if told_why else []
        out += facts_lines(facts)
    out += ["", *in_lines([cost_words(found.lines, s)])]
    out += in_lines([*_never_mixed(found, names), *_family_words(found)])
    return "\n".join(out)


def recipes_answer(found: Recipes) -> list[str]:
    """The answer to a search for a mix, in lines."""
    best = best_line(found.lines.iloc[0], found.tolerance, found.garments)
    return in_lines([no_mix_lands(found) or best])


def no_mix_lands(found: Recipes) -> str:
    """That none of the recipes is expected to land, or none can; empty where one is."""
    nearest, best = found.lines["worst_dE00"].min(), found.lines["p_all"].max()
    if nearest <= found.tolerance:
        return ""
    off = f"the nearest of these is {nearest:.1f} dE00 off on one garment"
    said = "No mix of these inks lands"
    if best >= UNLIKELY:
        said = f"No mix of these inks is expected to land, at best a chance of {chance(best)}"
    return (
        f"{said}: {off}. Over a base or without one, or through another screen, one may: name them "
        "(--base-ink, --mesh); strikeoff plan looks through all of them, one ink at a time."
    )


def _never_mixed(found: Recipes, names: Names) -> Iterator[str]:
    """What would tell how the inks of the first line mix, where nothing has."""
    known, inks = found.mixing.strengths, found.lines["inks"].iloc[0]
    never = [ink for ink in inks if not known.told.get((ink,))]
    if never:
        which = listed([ink_words(ink, names) for ink in never])
        times = np.exp(Z90 * max(known.sd_of(ink) for ink in never))
        usual = min(TIMES, key=lambda n: abs(np.log(n / times)))
        yield (
            f"How much {which} do{'' if never[1:] else 'es'} in a mix is taken as is usual of "
            f"pigments, {TIMES[usual]}, so the bands are wide. One card of each, 1 part in 4 of "
            "white (drawdowns.csv: mixed_with and share_pct), or this mix once printed and "
            "recorded with its recipe (the column mix), narrows them."
        )


def _family_words(found: Recipes) -> Iterator[str]:
    """How near each ink type came, where there are several, and which inks were left out."""
    if len(found.families) > 1:
        mixed = {ink for mix in found.lines["inks"] for ink in mix}
        own = next(f for f in found.families if mixed <= set(f.inks))
        each = "; ".join(
            f"{_types(f.types)} ({counted(len(f.inks), 'ink')}) "
            + ("no mix" if np.isnan(f.worst_dE00) else f"{f.worst_dE00:.1f} dE00 off at best")
            for f in found.families
        )
        yield f"Sought one type of ink at a time: {each}. These are of {_types(own.types)}."
    if found.untyped:
        yield (
            f"Left out, as their ink_type is not in inks.csv: {', '.join(found.untyped)}; "
            "fill it in, import and learn."
        )


def mixing_caution(ink_type: pd.Series, mixes: Iterable[Collection[str]]) -> str:
    """What to mind when mixing; ``ink_type``: type by ink, ``mixes``: the inks of each recipe."""
    crossed = sorted({one for mix in mixes for one in _crossing(ink_type, mix)})
    if not crossed:
        return "Percent by weight. Mix inks of one type only, as the ink maker's data sheets allow."
    return (
        f"Percent by weight. CAUTION: {_types(crossed)} in one bucket, as shop.toml allows. Follow "
        "both ink makers' data sheets on whether and how far they may be mixed and how the mix "
        "cures; test cure and wash before production."
    )


def _crossing(ink_type: pd.Series, mix: Collection[str]) -> set[str]:
    types = set(ink_type.reindex(list(mix)).dropna())
    return types if len(types) > 1 else set()


def _types(types: Iterable[str]) -> str:
    return " and ".join(map(type_words, types))


def top_up_sentences(told: TopUp, names: Names, bucket_kg: float, tolerance: float) -> list[str]:
    """A correction: how it is, what to add, how it is then; the verdict last."""
    before = f"As it is: {told.before_dE00:.1f} dE00 off, {chance(told.p_before)} in tolerance."
    verdict = f"{HEADLINES[kind(told._asdict())]}. {top_up_reason(told, tolerance, {'ink': names})}"
    if not told.add_kg:
        return [before, "No addition brings it nearer: leave the mix as it is.", verdict]
    parts = [
        f"{100 * kg / bucket_kg:.1f} % of {ink_words(ink, names)} ({1000 * kg:.0f} g)"
        for ink, kg in told.add_kg.items()
    ]
    now = "; ".join(f"{p:.1f} % {ink_words(i, names)}" for i, p in told.percent.items())
    return [
        before,
        f"Add to your {bucket_kg:g} kg: {'; '.join(parts)}.",
        f"Then: {told.bucket_kg:.2f} kg, {now}.",
        f"Expected: {told.after_dE00:.1f} dE00 off, {chance(told.p_after)} in tolerance.",
        verdict,
    ]


def top_up_block(told: TopUp, names: Names, bucket_kg: float, tolerance: float) -> str:
    """A correction as plain text."""
    *first, verdict = top_up_sentences(told, names, bucket_kg, tolerance)
    return "\n".join([*first, *in_lines([verdict])])


def _numbers_line(i: int, line: Mapping, plan: Plan, called: Names | None) -> str:
    return (
        f"{_luck(i, line, plan.garments, called)}{number(line['press_steps']):>4}"
        f"{line['film_um']:>6.0f} um"
    )


def _luck(i: int, line: Mapping, garments: list[str], called: Names | None) -> str:
    odds = f"{chance(line['p_all'])}, {HEADLINES[kind(line)].lower()}"
    worst = f"{number(line['worst_dE00'])}, up to {number(line['worst_hi'])}, "
    worst += _short(line["worst_garment"], garments, called, 28 - len(worst))
    apart = "-"
    if len(garments) > 1:
        apart = f"{number(line['spread_lo'])} to {number(line['spread_hi'])}"
    return f"{i:<4}{odds:<35}{worst:<30}{apart:<12}"


def _short(garment: str, garments: list[str], called: Names | None, width: int) -> str:
    """A garment by as much of its name and code as ``width`` has room for; by the name alone only
    where no other of the job is called so.

    >>> job, called = ["G01", "G02"], {"G01": "White", "G02": "Black heather"}
    >>> [_short("G02", job, called, width) for width in (19, 13, 12)]
    ['Black heather (G02)', 'Black heather', 'G02']
    """
    called = called or {}
    name = called.get(garment)
    ways = [named(garment, name)]
    if name and [called.get(one) for one in garments].count(name) == 1:
        ways.append(name)
    return next((way for way in ways if len(way) <= width), garment)


def facts_lines(facts: Iterable[tuple[str, str]]) -> list[str]:
    """Headings and what stands beside them, under a numbered line."""
    return _beside(facts, 6, 8)


def _beside(facts: Iterable[tuple[str, str]], indent: int, room: int) -> list[str]:
    """Headings in so much ``room``, and what stands beside each, wrapped there."""
    lines = []
    for heading, told in facts:
        first, further = f"{'':{indent}}{heading:<{room}}", " " * (indent + room)
        lines += textwrap.wrap(told, WIDTH, initial_indent=first, subsequent_indent=further)
    return lines


def in_lines(sentences: list[str]) -> list[str]:
    """Sentences, each begun on a line of its own."""
    return [line for sentence in sentences for line in textwrap.wrap(sentence, WIDTH)]


def _shade_lines(
    shades: pd.DataFrame,
    names: Names,
    tolerance: float,
    garments: list[str],
    called: Names | None,
) -> list[str]:
    """Bucket match, one shade deeper, and what really appears as the target."""
    told = pd.concat([shades[shades["lore"] != ""].sort_values("lore"), shades.iloc[:1]])
    told = told[~told.index.duplicated(keep="last")]
    roles = told["lore"].fillna("").to_dict()
    first = shades.index[0]
    nearest = "comes nearest"
    if told.loc[first, "print_dE00"] <= tolerance:
        nearest = "appears as the target"
    roles[first] = f"{roles[first]}, {nearest}" if roles[first] else nearest
    inks = [ink_words(ink, names) for ink in told["ink_id"]]
    wide = max(map(len, inks))
    begun = [
        f"  {ink:<{wide}}  bucket {bucket:>4.1f}  print {off:>4.1f} dE00 on "
        for ink, bucket, off in zip(inks, told["bucket_dE00"], told["print_dE00"], strict=True)
    ]
    room = WIDTH - len(begun[0]) - max(map(len, roles.values())) - 2
    lines = ["At the usual screen and base, ink by ink:"]
    lines += [
        f"{line}{_short(garment, garments, called, room)}  {role}"
        for line, garment, role in zip(begun, told["worst_garment"], roles.values(), strict=True)
    ]
    return lines
