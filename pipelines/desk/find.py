"""*Find*: what lands on a target on the garments of a job: set-ups of one ink, and mixes."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from threading import Lock
from typing import Any
from urllib.parse import urlencode

import pandas as pd
from flask import Blueprint, Response, current_app, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from learn.colour.colorimetry import srgb_hex
from learn.errors import Unusable
from learn.shop import UNDERBASE
from pipelines.desk import safety
from pipelines.desk.batch import aim_of
from pipelines.desk.choices import first_of
from pipelines.desk.opened import Desk, Now
from pipelines.desk.words import words
from pipelines.tables.names import resolved
from pipelines.tables.targets import NotATarget, Target
from pipelines.tasks.cloth import cloth_fills
from pipelines.tasks.finding import Planned, mix_setup, mixed, planned
from pipelines.words.common import number
from pipelines.words.plan import cost_words, mixing_caution, setup_words
from pipelines.words.reasons import PlanWords, ink_words
from pipelines.words.verdict import HEADLINES, kind, line_reason
from pipelines.workspace.problems import UserError

place = Blueprint("find", __name__, url_prefix="/find")

LINES = 6
MOST_GARMENTS = 6
SUFFIXES = (".csv", ".tsv", ".txt", ".xlsx", ".xml", ".cxf", ".cgats", ".dat")
WAYS = ("ink", "mix")
SCREEN = ("mesh_id", "strokes", "flash_count", *UNDERBASE)


@place.get("/")
def show() -> str | tuple[str, int]:
    """What to look for, and what was found; a search begins with the first look, and the page
    comes back until it is done."""
    now = _now()
    asked, wrong, found = _asked(), "", None
    garments: list[str] = []
    aim = None
    try:
        garments = _garments(asked, now)
        aim = aim_of(asked["target"], asked["tolerance"], now)
        if aim is not None and garments:
            found = _found(asked["way"], aim, garments, now)
    except UserError as error:
        wrong = str(error)
    shown = render_template(
        "find.html",
        asked=asked,
        ways=WAYS,
        wrong=wrong.splitlines(),
        garments=garments,
        chips=first_of(now.choices.garments, garments),
        choices=now.choices,
        palette=_palette(asked, now),
        aim=None if aim is None else str(srgb_hex(aim.lab, now.opened.model.viewing_)),
        pending=aim is not None and bool(garments) and found is None and not wrong,
        here=_address(asked),
        answer=None if found is None else _answer(asked, found, now),
        suffixes=SUFFIXES,
    )
    return (shown, 400) if wrong else shown


@place.post("/chip")
def chip() -> AnyResponse:
    """The target measured on a chip, as its L, a, b in the address."""
    now, asked = _now(), _asked()
    with safety.uploaded("file", SUFFIXES) as path:
        chips = now.opened.targets_beside(path)
        try:
            aim = chips.read(path.name)
        except NotATarget as error:
            raise UserError(f"{path.name}: {error.what}; {error.do}.") from None
    return redirect(_address(asked, target=",".join(f"{v:.2f}" for v in aim.lab)), 303)


@place.get("/sheet")
def sheet() -> Response:
    """The press sheet of one line, as the command writes it."""
    page, _ = _sheet()
    return safety.sheet(page)


@place.get("/list")
def listed() -> Response:
    """The prints of a press sheet, to be measured and handed in."""
    _, prints = _sheet()
    head = {"Content-Disposition": 'attachment; filename="to-measure.csv"'}
    return Response(prints, mimetype="text/csv", headers=head)


def _now() -> Now:
    desk: Desk = current_app.extensions["desk"]
    now = desk.now()
    now.opened  # noqa: B018  without a model nothing can be looked for
    return now


def _asked() -> dict[str, Any]:
    given = request.args
    way = given.get("way", WAYS[0])
    return {
        "target": given.get("target", "").strip(),
        "tolerance": given.get("tolerance", "").strip(),
        "garment": [one.strip() for one in given.getlist("garment") if one.strip()][:MOST_GARMENTS],
        "way": way if way in WAYS else WAYS[0],
    }


def _address(asked: Mapping[str, Any], at: str = "find.show", **changed: Any) -> str:
    told = {name: value for name, value in {**asked, **changed}.items() if value}
    return f"{url_for(at)}?{urlencode(told, doseq=True)}"


def _garments(asked: Mapping[str, Any], now: Now) -> list[str]:
    called = words().find.garment
    known = now.opened.known
    found = [resolved(called, one, known, "substrate_id", []) for one in asked["garment"]]
    return list(dict.fromkeys(found))


def _palette(asked: Mapping[str, Any], now: Now) -> list[dict]:
    """Colours to begin from: the shop's targets, and the buckets of its inks."""
    model = now.opened.model
    told = [(name, name, aim.lab) for name, aim in now.opened.targets.by_name.values()]
    inks = list(now.choices.inks)
    for one, lab in zip(inks, model.buckets(inks)[0], strict=True):
        text = ",".join(f"{v:.1f}" for v in lab)
        told.append((now.choices.inks[one].name, text, lab))
    return [
        {
            "name": name,
            "fill": str(srgb_hex(lab, model.viewing_)),
            "href": _address(asked, target=text),
            "on": asked["target"] == text,
        }
        for name, text, lab in told
    ]


def _found(way: str, aim: Target, garments: list[str], now: Now) -> Any | None:
    """What was found, None while it is looked for; raises what went wrong."""
    opened = now.opened
    tolerance = aim.tolerance_dE00 or opened.catalogue.settings.tolerance_dE00

    def search() -> Any:
        usual, _ = now.usual.setup(garments)
        with now.once("one search at a time", Lock):  # several would only wait for each other
            if way == "ink":
                limits = {"lots": dict(opened.catalogue.lots)}
                return planned(opened, aim, garments, tolerance, limits, usual, LINES)
            from learn.mixing.recipes import Weighing

            called = vars(words().ask.called)
            setup = mix_setup(dict.fromkeys((*SCREEN, "press_id")), usual, called)
            return (
                mixed(opened, now.usual.shop, aim, garments, tolerance, setup, Weighing()),
                setup,
            )

    def said() -> Any:
        try:
            return search()
        except Unusable as error:
            raise UserError(f"{str(error)[:1].upper()}{str(error)[1:]}.") from None

    key = ("find", way, tuple(aim.lab.round(3).tolist()), tolerance, tuple(garments), date.today())
    begun = now.later(key, said)
    return begun.result() if begun.done() else None


def _answer(asked: Mapping[str, Any], found: Any, now: Now) -> dict:
    settings = now.opened.catalogue.settings
    if isinstance(found, Planned):
        plan = found.plan
        told = PlanWords(plan, _names(now), now.opened.catalogue.called("presses"))
        why = [told.in_the_way()] if plan.in_the_way else []
        cards = [
            _line(asked, n, line, plan, now) | _of_plan(asked, n, line, plan, told, now)
            for n, line in enumerate(plan.lines.to_dict("records"), start=1)
        ]
        return {"cards": cards, "said": [*why, cost_words(plan.lines, settings), *found.notes]}
    recipes, setup = found
    cards = [
        _line(asked, n, _with_worst(line, n, recipes), recipes, now) | _of_mix(line, now)
        for n, line in enumerate(recipes.lines.to_dict("records"), start=1)
    ]
    base = tuple(recipes.garments) if setup[UNDERBASE[0]] is not None else ()
    phrase = {**setup, "ink_id": words().find.the_mix, "base_on": base}
    printed = setup_words(phrase, _names(now), recipes.garments)
    types = now.opened.model.encoder_.inks["ink_type"]
    said = [f"{words().find.printed} {printed}.", cost_words(recipes.lines, settings)]
    return {"cards": cards, "said": [*said, mixing_caution(types, recipes.lines["inks"].tolist())]}


def _names(now: Now) -> dict[str, str | None]:
    return {i: told.get("ink_name") for i, told in now.opened.catalogue.words["inks"].items()}


def _with_worst(line: dict, n: int, recipes: Any) -> dict:
    own = recipes.colours[recipes.colours["line"] == n]
    return line | {"worst_garment": own.loc[own["dE00"].idxmax(), "substrate_id"]}


def _line(asked: Mapping[str, Any], n: int, line: dict, found: Any, now: Now) -> dict:
    """What every line shows: its colour on each garment, chance, verdict, cost."""
    view = now.opened.model.viewing_
    cloths = cloth_fills(now.opened, found.garments)
    own = found.colours[found.colours["line"] == n].to_dict("records")
    cost = line["expected_cost"]
    return {
        "n": n,
        "kind": kind(line),
        "headline": HEADLINES[kind(line)],
        "p": line["p_all"],
        "worst": f"{number(line['worst_dE00'])} dE00",
        "up_to": number(line["worst_hi"]),
        "reason": line_reason(line, found.tolerance, len(found.garments)),
        "cost": None if pd.isna(cost) else f"{cost:.0f}",
        "target": str(srgb_hex(found.target, view)),
        "garments": [
            {
                "name": now.choices.garments[one["substrate_id"]].name,
                "cloth": cloths.get(one["substrate_id"]),
                "fill": str(srgb_hex([one[c] for c in "Lab"], view)),
                "dE00": one["dE00"],
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
    base = line[UNDERBASE[0]] if line["base_on"] else "none"
    setup = {
        "ink": now.choices.inks[line["ink_id"]].name,
        "screen": line["mesh_id"],
        "base": base,
        "strokes": f"{line['strokes']:g}",
        "flashes": f"{line['flash_count']:g}",
        "target": asked["target"],
    }
    ask = {**setup, "garment": garments, "tolerance": asked["tolerance"]}
    ask["also"] = f"printed_on:{line['printed_on']:%Y-%m-%d}"
    first = {**setup, "garment": garments[0], "tolerance": asked["tolerance"]}
    at = {**asked, "line": n}
    return {
        "title": setup_words(line, _names(now), plan.garments),
        "facts": [(words().find.changes, told.changes(line)), (words().find.why, told.why(line))],
        "links": [
            (words().find.sheet, _address(at, "find.sheet")),
            (words().find.list, _address(at, "find.listed")),
            (words().find.ask, f"{url_for('ask.show')}?{urlencode(ask, doseq=True)}"),
        ],
        "measured": f"{url_for('measured.show')}?{urlencode(first)}",
    }


def _of_mix(line: dict, now: Now) -> dict:
    parts = [
        f"{number(percent, 2)} % {ink_words(ink, _names(now))}"
        for ink, percent in zip(line["inks"], line["percent"], strict=True)
    ]
    return {"title": "; ".join(parts)}


def _sheet() -> tuple[str, str]:
    """The press sheet and its list; waits for the plan, should it be gone."""
    from pipelines.pages.press_sheet import sheet_of

    now, asked = _now(), _asked()
    aim = aim_of(asked["target"], asked["tolerance"], now)
    garments = _garments(asked, now)
    if aim is None or not garments:
        raise UserError(words().find.pick)
    found = _found("ink", aim, garments, now)
    if found is None:
        raise UserError(words().find.not_yet)
    line = request.args.get("line", 1, type=int)
    if not 1 <= line <= len(found.plan.lines):
        raise UserError(words().find.no_line.format(line=line, n=len(found.plan.lines)))
    aimed = "-".join(asked["target"].replace(",", " ").split())
    # The day keeps the names of prints apart when the same is printed once more.
    job = words().find.job.format(target=aimed, line=line, day=f"{date.today():%y%m%d}")
    return sheet_of(found.plan, line, now.opened, job)
