"""*Shelf*: what the shop has, by name: how inks look on its garments, how well each is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

import pandas as pd
from flask import Blueprint, abort, current_app, render_template, request, url_for

from learn.colour.colorimetry import srgb_hex, viewing
from learn.errors import Unusable
from learn.shop import UNDERBASE
from pipelines.desk.asked import GARMENT, INK
from pipelines.desk.opened import Desk, Now
from pipelines.desk.words import words
from pipelines.pages.prediction import shown_rows
from pipelines.tables.dates import last_day
from pipelines.tasks.base import usual_base
from pipelines.tasks.cloth import cloth_fills
from pipelines.tasks.setups import checked
from pipelines.tasks.steps import Step
from pipelines.tasks.things import things, with_words
from pipelines.words.changes import change_lines
from pipelines.words.common import counted
from pipelines.words.lots import lot_lines

place = Blueprint("shelf", __name__, url_prefix="/shelf")

KINDS = ("inks", "garments", "screens", "presses")
A_PAGE = 50  # lines
GARMENTS = 12  # an ink is shown on, the usual first; all where they are asked for


@place.get("/")
def show() -> str:
    """One kind of thing, by name; those with all words of a search."""
    now = _now()
    kind = request.args.get("kind", KINDS[0])
    if kind not in KINDS:
        abort(404)
    word = request.args.get("word", "").strip()
    found = with_words(_things(kind, now), word)
    begin = min(max(request.args.get("from", 0, type=int), 0), max(len(found) - 1, 0))
    page = found.iloc[begin : begin + A_PAGE]
    shop = now.usual.shop

    def at(start: int) -> str:
        told = {"kind": kind, "word": word, "from": start}
        return f"{url_for('shelf.show')}?{urlencode({k: v for k, v in told.items() if v})}"

    return render_template(
        "shelf.html",
        kinds=KINDS,
        kind=kind,
        word=word,
        rows=_rows(page, kind, now),
        n=len(found),
        begin=begin,
        end=begin + len(page),
        before=at(max(begin - A_PAGE, 0)) if begin else None,
        after=at(begin + A_PAGE) if begin + len(page) < len(found) else None,
        changed=list(change_lines(shop)) if kind == "presses" else [],
    )


@place.get("/ink/")
def ink() -> str:
    """One ink: over the shop's garments, bare and over the base, its lots, what to print next."""
    now = _now()
    one = request.args.get("one", "")
    listed = _things("inks", now)
    row = listed[listed["id"] == one]
    if row.empty:
        abort(404)
    told = now.model is not None and one in now.model.known["inks"]
    garments = list(now.choices.garments) if told else []
    every = request.args.get("all", "") == "1"
    shown = garments if every else garments[:GARMENTS]
    return render_template(
        "shelf_ink.html",
        ink=_rows(row, "inks", now)[0],
        looks=_looks(one, shown, now) if shown else [],
        more=0 if every else len(garments) - len(shown),
        lots=_lots(one, now),
        next=now.once(("next", one, last_day()), lambda: _next(one, now))
        if told and request.args.get("next") == "1"
        else None,
        has_model=now.model is not None,
    )


def _now() -> Now:
    desk: Desk = current_app.extensions["desk"]
    return desk.now()


def _things(kind: str, now: Now) -> pd.DataFrame:
    """`pipelines.tasks.things.things`, worked out once for a state of the shop."""
    return now.once(("things", kind), lambda: things(kind, now.usual.shop, now.model))


def _rows(page: pd.DataFrame, kind: str, now: Now) -> list[dict[str, Any]]:
    """The lines of a page: name, identifier, colour, and where a tap leads."""
    settings = now.usual.shop.settings
    view = viewing(settings.illuminant, settings.observer)
    rows = []
    for told in page.to_dict("records"):
        name = told["name"] or told["id"]
        lab = [told.get(c) for c in "Lab"]
        fill = None if any(pd.isna(v) for v in lab) else str(srgb_hex(lab, view))
        href = None
        if kind == "inks":
            href = url_for("shelf.ink", one=told["id"])
        elif kind == "garments" and now.model:
            href = url_for("ask.show", garment=told["id"])
        code = told["id"] if told["name"] else ""
        rows.append(
            told
            | {
                "called": name,
                "n": counted(told["prints"], "print"),
                "code": code,
                "fill": fill,
                "href": href,
            }
        )
    return rows


@dataclass(frozen=True)
class Look:
    """One ink on one garment, as the shop usually prints it: over its base, and bare."""

    garment: str
    more: str
    ways: list[dict]  # of `shown_rows`, each with its ``cloth``, ``name`` and ``href``


def _looks(ink: str, garments: list[str], now: Now) -> list[Look]:
    rows: list[dict[str, str]] = []
    at: list[tuple[str, str, dict[str, str]]] = []  # garment, way, and how *Ask* is asked for it
    for garment in garments:
        cells, _ = now.usual.completed({INK: ink, GARMENT: garment})
        cells = {c: v for c, v in cells.items() if v != ""}
        bare = {c: v for c, v in cells.items() if c not in UNDERBASE}
        usual = bool(cells.get(UNDERBASE[0]))
        based = cells if usual else _over_base(bare, garment, now)
        if based:
            rows.append(based)
            at.append((garment, "base", {} if usual else {"beside": Step.BASE_ON.value}))
        rows.append(bare)
        at.append((garment, "bare", {"base": "none"} if usual else {}))
    called = vars(words().ask.called)
    setups, _ = checked(
        rows,
        None,
        now.opened,
        {**called, "": called["target"]},
        else_called=called["else_called"],
        left_out=(called["missing"], called["do"]),
    )
    catalogue = now.opened.catalogue
    drawn = shown_rows(now.opened.predict(setups), catalogue.describe(setups), catalogue.settings)
    cloths = cloth_fills(now.opened, garments)
    choices = now.choices.garments
    looks = {one: Look(choices[one].name, choices[one].more, []) for one in garments}
    for (garment, way, how), row in zip(at, drawn, strict=True):
        told = {
            "way": way,
            "base": _word(row.get("underbase_ink_name"), row[UNDERBASE[0]]),
            "cloth": cloths.get(garment),
            "href": f"{url_for('ask.show')}?" + urlencode({"ink": ink, "garment": garment, **how}),
        }
        looks[garment].ways.append(row | told)
    return list(looks.values())


def _word(*names: object) -> str:
    """The first that is known; empty where none is."""
    return next((str(name) for name in names if pd.notna(name) and name), "")


def _over_base(cells: dict[str, str], garment: str, now: Now) -> dict[str, str] | None:
    """The same over the base that is usual on this garment; None where there is none."""
    base = usual_base(now.usual, garment)
    if base is None:
        return None
    told = {str(c): v for c, v in base.iloc[0].items() if pd.notna(v)}
    return cells | {c: f"{v:g}" if isinstance(v, float) else str(v) for c, v in told.items()}


def _lots(ink: str, now: Now) -> tuple[list[str], int]:
    """Which lots of an ink print otherwise than those before; and how many there are."""
    shop = now.usual.shop
    n = int(shop.prints.loc[shop.prints[INK] == ink, "ink_lot"].nunique())
    if now.model is None:
        return [], n
    lots = now.once("lots", lambda: now.opened.model.lots(shop.prints))
    own = [lot for lot in lots if lot.ink == ink]
    names = dict(zip(shop.inks[INK], shop.inks["ink_name"], strict=True))
    return list(lot_lines(own, names)), n


def _next(ink: str, now: Now) -> dict[str, Any]:
    """The prints that describe an ink best, and how sure its usual set-ups are after each."""
    from learn.planning.new_ink import plan_ink

    prints = now.usual.shop.prints
    garments = prints[GARMENT].unique().tolist()
    settings, _ = now.usual.typed_preset(garments, ("press_id",))
    try:
        plan = plan_ink(now.opened.model, ink, prints, settings=settings, until=last_day())
    except Unusable as error:
        return {"wrong": f"{error}.", "rows": []}
    described = now.opened.catalogue.describe(plan.prints.iloc[: plan.enough])
    rows = [
        {
            "garment": _word(row["colour_name"], row[GARMENT]),
            "over": _word(row.get("underbase_ink_name"), row[UNDERBASE[0]]),
            "screen": row["mesh_id"],
            "strokes": f"{row['strokes']:g}",
            "within": f"{sure.within_dE00:.1f}",
            "go": 100 * sure.go,
        }
        for row, sure in zip(
            described.to_dict("records"), plan.prints.iloc[: plan.enough].itertuples(), strict=True
        )
    ]
    return {"wrong": "", "rows": rows, "now": plan.before, "gain": max(0.0, plan.next_gain)}
