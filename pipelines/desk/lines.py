"""Lines of a plan or of recipes as cards of *Find*: colours on each garment, chance, what next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

import pandas as pd
from flask import url_for

from learn.colour.colorimetry import in_srgb_gamut, srgb_hex
from learn.predict.causes import Verdict
from learn.shop import UNDERBASE
from pipelines.desk.asked import as_it_stands
from pipelines.desk.opened import Now
from pipelines.desk.typed import address as handed_in
from pipelines.desk.words import words
from pipelines.tasks.cloth import cloth_fills
from pipelines.tasks.finding import Planned
from pipelines.words.common import number
from pipelines.words.plan import cost_words, mixing_caution, setup_words
from pipelines.words.reasons import PlanWords, ink_words
from pipelines.words.verdict import HEADLINES, kind, line_reason


def address(asked: Mapping[str, Any], at: str = "find.show", **changed: Any) -> str:
    told = {name: value for name, value in {**asked, **changed}.items() if value}
    return f"{url_for(at)}?{urlencode(told, doseq=True)}"


def answer_of(asked: Mapping[str, Any], found: Any, now: Now) -> dict:
    settings = now.opened.catalogue.settings
    if isinstance(found, Planned):
        plan = found.plan
        called = now.opened.catalogue.things()
        told = PlanWords(plan, called["ink"], called["press"], called["garment"])
        why = [told.in_the_way()] if plan.in_the_way else []
        cards = [
            _line(asked, n, line, plan, now) | _of_plan(asked, n, line, plan, told, now)
            for n, line in enumerate(plan.lines.to_dict("records"), start=1)
        ]
        return {"cards": cards, "said": [*why, cost_words(plan.lines, settings), *found.notes]}
    recipes, setup, notes = found
    cards = [
        _line(asked, n, _with_worst(line, n, recipes), recipes, now) | _of_mix(asked, line, now)
        for n, line in enumerate(recipes.lines.to_dict("records"), start=1)
    ]
    base = tuple(recipes.garments) if setup[UNDERBASE[0]] is not None else ()
    phrase = {**setup, "ink_id": words().find.the_mix, "base_on": base}
    printed = setup_words(phrase, names_of(now), recipes.garments)
    types = now.opened.learnt.encoder_.inks["ink_type"]
    said = [f"{words().find.printed} {printed}.", cost_words(recipes.lines, settings)]
    said += [mixing_caution(types, recipes.lines["inks"].tolist()), *notes]
    return {"cards": cards, "said": said}


def names_of(now: Now) -> dict[str, str | None]:
    return {i: told.get("ink_name") for i, told in now.opened.catalogue.words["inks"].items()}


def _with_worst(line: dict, n: int, recipes: Any) -> dict:
    own = recipes.colours[recipes.colours["line"] == n]
    return line | {"worst_garment": own.loc[own["dE00"].idxmax(), "substrate_id"]}


def _line(asked: Mapping[str, Any], n: int, line: dict, found: Any, now: Now) -> dict:
    """What every line shows: its colour on each garment, chance, verdict, cost."""
    view = now.opened.learnt.viewing_
    cloths = cloth_fills(now.opened, found.garments)
    own = found.colours[found.colours["line"] == n].to_dict("records")
    # what is to change first is never run: a cost of it says nothing
    cost = None if line["verdict"] == Verdict.CHANGE else line["expected_cost"]
    return {
        "n": n,
        "kind": kind(line),
        "headline": HEADLINES[kind(line)],
        "p": line["p_all"],
        "worst": f"{number(line['worst_dE00'])} dE00",
        "up_to": number(line["worst_hi"]),
        "reason": line_reason(
            line, found.tolerance, len(found.garments), now.opened.catalogue.things()
        ),
        "cost": None if pd.isna(cost) else f"{cost:.0f}",
        "target": str(srgb_hex(found.target, view)),
        "garments": [
            {
                "name": now.choices.garments[one["substrate_id"]].name,
                "cloth": cloths.get(one["substrate_id"]),
                "fill": str(srgb_hex([one[c] for c in "Lab"], view)),
                "dE00": one["dE00"],
                "vivid": not in_srgb_gamut([one[c] for c in "Lab"], view),
            }
            for one in own
        ],
        "links": [],
        "facts": [],
        "title": "",
        "measured": url_for("measured.show", target=asked["target"]),
    }


def _of_plan(
    asked: Mapping[str, Any], n: int, line: dict, plan: Any, told: PlanWords, now: Now
) -> dict:
    """What a line of a plan shows besides, and where it leads."""
    garments = [now.choices.garments[one].name for one in plan.garments]
    aim = asked["target"], asked["tolerance"]
    bare = {**line, **dict.fromkeys(UNDERBASE)}
    over = {one: line if one in line["base_on"] else bare for one in plan.garments}
    alike = [[one for one in over if over[one] is row] for row in (line, bare)]
    asks = [
        (
            words().find.ask_on.format(garments=", ".join(now.choices.garments[g].name for g in on))
            if len(on) < len(garments)
            else words().find.ask,
            as_it_stands(over[on[0]], tuple(on), *aim).address(),
        )
        for on in alike
        if on
    ]
    first = {**over[plan.garments[0]], "substrate_id": plan.garments[0]}
    at = {**asked, "line": n}
    return {
        "title": _title(line, garments, now),
        "facts": [(words().find.changes, told.changes(line)), (words().find.why, told.why(line))],
        "links": [
            (words().find.sheet, address(at, "find.sheet")),
            (words().find.list, address(at, "find.listed")),
            *asks,
        ],
        "measured": handed_in(first, *aim, now),
    }


def _title(line: dict, garments: list[str], now: Now) -> str:
    """The set-up of a line by names alone."""
    choices = now.choices
    by_name = {
        "ink_id": choices.inks[line["ink_id"]].name,
        "base_on": tuple(choices.garments[one].name for one in line["base_on"]),
    }
    if line["base_on"]:
        by_name[UNDERBASE[0]] = choices.bases[line[UNDERBASE[0]]].name
    return setup_words({**line, **by_name}, {}, garments)


def _of_mix(asked: Mapping[str, Any], line: dict, now: Now) -> dict:
    have = [f"{ink}:{p:g}" for ink, p in zip(line["inks"], line["percent"], strict=True)]
    add = f"{address(asked, 'find.add')}&{urlencode({'have': have}, doseq=True)}"
    return {"title": mix_words(have, now), "links": [(words().find.add, add)]}


def mix_words(have: list[str], now: Now) -> str:
    parts = [one.rpartition(":") for one in have]
    return "; ".join(
        f"{number(float(percent), 2)} % {ink_words(ink, names_of(now))}"
        for ink, _, percent in parts
        if percent.replace(".", "", 1).isdigit()
    )
