"""*Find*: what lands on a target on the garments of a job: set-ups of one ink, and mixes."""

from __future__ import annotations

from collections.abc import Mapping
from threading import Lock
from typing import Any

from flask import Blueprint, Response, current_app, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from learn.colour.colorimetry import in_srgb_gamut, srgb_hex
from learn.errors import Unusable
from learn.shop import UNDERBASE
from pipelines.desk import safety, slips, top_up
from pipelines.desk.batch import aim_of
from pipelines.desk.choices import first_of
from pipelines.desk.lines import address, answer_of, mix_words, names_of
from pipelines.desk.opened import Desk, Now
from pipelines.desk.words import words
from pipelines.tables.targets import NotATarget, Target
from pipelines.tasks.finding import mix_setup, mixed, planned, reached_for
from pipelines.tasks.of_today import NOWHERE, searched, today
from pipelines.workspace.problems import UserError

place = Blueprint("find", __name__, url_prefix="/find")

LINES = 6
MOST_GARMENTS = 6
SUFFIXES = (".csv", ".tsv", ".txt", ".xlsx", ".xml", ".cxf", ".cgats", ".dat")
WAYS = ("ink", "mix")
LIMITS = {"ink": "ink_id", "screen": "mesh_id", "base": UNDERBASE[0]}  # fields of the form
MOST_NAMED = 12  # inks, screens or bases that are looked through alone
SCREEN = ("mesh_id", "strokes", "flash_count", *UNDERBASE)


@place.get("/")
def show() -> str | tuple[str, int]:
    """What to look for, and what was found; a search begins with the first look, and the page
    comes back until it is done."""
    now = _now()
    asked, wrong, found, marks = _asked(), "", None, dict[str, list[int]]()
    offers: list[tuple[str, str]] = []
    garments: list[str] = []
    limits: dict[str, list[str]] = {}
    typed = dict.fromkeys(("garment", *LIMITS), "")
    aim = None
    gathered = slips.Gathering()
    try:
        with gathered:
            garments = _garments(asked, now)
        with gathered:
            limits = _limits(asked, now)
        with gathered:
            aim = aim_of(asked["target"], asked["tolerance"], now)
        gathered.tell()
        if aim is not None and garments:
            found = _found(asked["way"], aim, garments, limits, now)
    except UserError as error:
        wrong, told = str(error), words()
        called = {told.measured.target: "target", told.measured.tolerance: "tolerance"}
        called |= {told.ask.called.substrate_id: "garment", told.ask.called.ink_id: "ink"}
        marks = slips.marks(error, called)
        garments, limits, typed = _as_typed(asked, now)
        offers = [
            (one.name, _instead(asked, meant.text, one.text))
            for meant in (error.perhaps if isinstance(error, slips.Slips) else [])
            for one in meant.perhaps
        ]
    shown = render_template(
        "find.html",
        marks=marks,
        offers=offers,
        asked=asked,
        ways=WAYS,
        wrong=wrong.splitlines(),
        garments=garments,
        typed=typed,
        chips=first_of(now.choices.garments, garments),
        limits={name: limits.get(name, []) for name in LIMITS},
        screens=first_of(now.choices.screens, limits.get("screen", [])),
        choices=now.choices,
        palette=_palette(asked, now),
        aim=None if aim is None else str(srgb_hex(aim.lab, now.opened.model.viewing_)),
        aim_vivid=aim is not None and not in_srgb_gamut(aim.lab, now.opened.model.viewing_),
        pending=aim is not None and bool(garments) and found is None and not wrong,
        here=address(asked),
        answer=None if found is None else answer_of(asked, found, now),
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
    return redirect(address(asked, target=",".join(f"{v:.2f}" for v in aim.lab)), 303)


@place.get("/add")
def add() -> str | tuple[str, int]:
    """What to add to a mix, once its test print is measured."""
    now, asked = _now(), _asked()
    said, wrong = list[str](), ""
    garments = _garments(asked, now)
    form = top_up.asked(garments)
    try:
        aim = aim_of(asked["target"], asked["tolerance"], now)
        if aim is None or not garments:
            raise UserError(words().find.pick)
        if any(form["measured"].values()):
            limits = _limits(asked, now)
            setup = _mix_setup(garments, limits["ink"], limits, now)
            said = top_up.told(form, aim, garments, setup, names_of(now), now)
    except UserError as error:
        wrong = str(error)
    shown = render_template(
        "find_add.html",
        asked=asked,
        limits=LIMITS,
        form=form,
        garments=[(one, now.choices.garments[one].name) for one in garments],
        mix=mix_words(form["have"], now),
        said=said,
        wrong=wrong.splitlines(),
        back=address(asked),
    )
    return (shown, 400) if wrong else shown


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
        # A colour that is tapped comes after what stands in the field.
        "target": next((t for t in reversed(given.getlist("target")) if t.strip()), "").strip(),
        "tolerance": given.get("tolerance", "").strip(),
        "garment": _named(given.getlist("garment"))[:MOST_GARMENTS],
        "way": way if way in WAYS else WAYS[0],
        **{name: _named(given.getlist(name))[:MOST_NAMED] for name in LIMITS},
    }


def _instead(asked: Mapping[str, Any], text: str, name: str) -> str:
    """The address with ``name`` in the place of what was typed."""
    lists = {
        key: [name if one == text else one for one in asked[key]] for key in ("garment", *LIMITS)
    }
    return address({**asked, **lists})


def _named(texts: list[str]) -> list[str]:
    return list(dict.fromkeys(one.strip() for one in texts if one.strip()))


def _garments(asked: Mapping[str, Any], now: Now) -> list[str]:
    called = words().ask.called.substrate_id
    return slips.all_picked(called, asked["garment"], "substrate_id", now.opened.known, now)


def _limits(asked: Mapping[str, Any], now: Now) -> dict[str, list[str]]:
    """What alone may be used, by field and identifier; ``none`` stands for no base."""
    found, wrong = dict[str, list[str]](), slips.Gathering()
    for name, column in LIMITS.items():
        called = getattr(words().ask.called, column)
        nones = ["none"] if name == "base" and "none" in asked[name] else []
        named = [one for one in asked[name] if one not in nones]
        with wrong:
            found[name] = nones + slips.all_picked(called, named, column, now.opened.known, now)
    wrong.tell()
    return found


def _as_typed(
    asked: Mapping[str, Any], now: Now
) -> tuple[list[str], dict[str, list[str]], dict[str, str]]:
    """The garments and limits that are known, and by field what was typed and is not."""
    ids, typed = {}, {}
    for name, column in {"garment": "substrate_id", **LIMITS}.items():
        nones = [one for one in asked[name] if name == "base" and one == "none"]
        named = [one for one in asked[name] if one not in nones]
        found, typed[name] = slips.known_of("", named, column, now.opened.known, now)
        ids[name] = nones + found
    return ids.pop("garment"), ids, typed


def _of_plans(limits: Mapping[str, list[str]]) -> dict[str, Any]:
    """The same as `learn.planning.candidates.Limits` has it: without a base besides those named
    stays possible, and with none named but ``none`` there is none."""
    bases = [one for one in limits["base"] if one != "none"]
    told: dict[str, Any] = {"inks": limits["ink"], "meshes": limits["screen"]}
    told = {name: tuple(ids) for name, ids in told.items() if ids}
    return told | ({"underbases": tuple(bases)} if limits["base"] else {})


def _screen(limits: Mapping[str, list[str]]) -> dict[str, Any]:
    """What is given of the screen of a mix: the first that is named."""
    given: dict[str, Any] = dict.fromkeys((*SCREEN, "press_id"))
    return given | {LIMITS[name]: limits[name][0] for name in ("screen", "base") if limits[name]}


def _mix_setup(
    garments: list[str], inks: list[str], limits: Mapping[str, list[str]], now: Now
) -> dict[str, Any]:
    """The screen and base of a mix: what is named of them, else as usual."""
    screen = _screen(limits)
    usual, _ = now.usual.setup(garments, inks, screen[UNDERBASE[0]])
    return mix_setup(screen, usual, vars(words().ask.called))


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
            "text": text,
            "vivid": not in_srgb_gamut(lab, model.viewing_),
            "on": asked["target"] == text,
        }
        for name, text, lab in told
    ]


def _found(
    way: str, aim: Target, garments: list[str], limits: Mapping[str, list[str]], now: Now
) -> Any | None:
    """What was found, None while it is looked for; raises what went wrong."""
    opened = now.opened
    tolerance = aim.tolerance_dE00 or opened.catalogue.settings.tolerance_dE00

    def search() -> Any:
        inks = limits["ink"] or None
        of = reached_for(opened, aim, inks) if way == "ink" else inks or []
        with now.once("one search at a time", Lock):  # several would only wait for each other
            of_now = searched(opened, "", {}, inks, NOWHERE)
            if way == "ink":
                told, (usual, _) = _of_plans(limits), now.usual.setup(garments, of)
                return planned(opened, aim, garments, tolerance, told, usual, of_now, LINES)
            from learn.mixing.recipes import Weighing

            setup = _mix_setup(garments, of, limits, now)
            found, notes = mixed(
                opened, now.usual.shop, aim, garments, tolerance, setup, of_now, Weighing(), inks
            )
            return found, setup, notes

    def said() -> Any:
        try:
            return search()
        except Unusable as error:
            raise UserError(f"{str(error)[:1].upper()}{str(error)[1:]}.") from None

    only = tuple(tuple(limits[name]) for name in LIMITS)
    at = (way, tuple(aim.lab.round(3).tolist()), tolerance, tuple(garments), only)
    key = ("find", *at, today())
    begun = now.later(key, said)
    return begun.result() if begun.done() else None


def _sheet() -> tuple[str, str]:
    """The press sheet and its list; waits for the plan, should it be gone."""
    from pipelines.pages.press_sheet import sheet_of

    now, asked = _now(), _asked()
    aim = aim_of(asked["target"], asked["tolerance"], now)
    garments = _garments(asked, now)
    if aim is None or not garments:
        raise UserError(words().find.pick)
    found = _found("ink", aim, garments, _limits(asked, now), now)
    if found is None:
        raise UserError(words().find.not_yet)
    line = request.args.get("line", 1, type=int)
    if not 1 <= line <= len(found.plan.lines):
        raise UserError(words().find.no_line.format(line=line, n=len(found.plan.lines)))
    aimed = "-".join(asked["target"].replace(",", " ").split())
    # The day keeps the names of prints apart when the same is printed once more.
    job = words().find.job.format(target=aimed, line=line, day=f"{today():%y%m%d}")
    return sheet_of(found.plan, line, now.opened, job)
