"""*Progress*: what the tool has saved and how right it was, batch by batch; learning from here."""

from __future__ import annotations

from typing import Any, NamedTuple

import pandas as pd
from flask import Blueprint, current_app, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from learn.errors import Unusable
from pipelines.desk.learning import Learning
from pipelines.desk.opened import Desk, Now
from pipelines.desk.words import day_words, words
from pipelines.registry import report_card, versions
from pipelines.registry.archive import archive_of
from pipelines.registry.opened import read_model
from pipelines.registry.report_card import Record
from pipelines.tasks.versions import told
from pipelines.words.common import minute
from pipelines.words.status import drift_lines
from pipelines.workspace.problems import Kind, UserError

place = Blueprint("progress", __name__, url_prefix="/progress")

BATCHES = 12  # shown, the latest
MONTHS = 12  # of drift, the latest
VERSIONS = 10
MOST_PERCENT = 20.0  # of ink more or less; what lies beyond is shown at the edge


@place.get("/")
def show() -> str:
    """Everything but the drift, which takes seconds and has a page of its own."""
    now, learning = _now(), _learning()
    kept = archive_of(now.workspace, now.shop)
    own = [r for r in report_card.read(kept) if r.in_charge and (len(r.forecasts) or r.aside)]
    return render_template(
        "progress.html",
        batches=[_batch(record) for record in own[-BATCHES:]][::-1],
        spared=_spared(own),
        tolerance=f"{now.usual.shop.settings.tolerance_dE00:g}",
        versions=told(kept)[-VERSIONS:][::-1],
        running=learning.running,
        code=learning.code,
        said=learning.lines,
        waits=_not_learnt(now),
        prints=len(now.usual.shop.prints),
        has_model=now.model is not None,
    )


@place.get("/drift/")
def drift() -> str:
    """What each press laid month by month, and what has moved."""
    now = _now()
    lines: list[str] = []
    presses: dict[str, list[Month]] = {}
    try:
        found = now.glance()
        lines = list(drift_lines(found.drift, now.opened.catalogue.things()))
        presses = _months(found.film)
    except Unusable as error:
        lines = [f"{error}."]
    return render_template("progress_drift.html", lines=lines, presses=presses)


@place.post("/learn/")
def learn() -> Response:
    """Begin to learn what has come in."""
    _learning().begin(_now().shop)
    return redirect(url_for("progress.show"), 303)


@place.post("/use/")
def use() -> Response:
    """Put another version in charge."""
    now = _now()
    kept = archive_of(now.workspace, now.shop)
    name = request.form.get("version", "")
    if name not in kept.names():
        raise UserError(words().progress.no_version, Kind.UNKNOWN)
    read_model(kept, name)  # one that nothing can be asked of shall not take charge
    versions.put_in_charge(kept, name)
    return redirect(url_for("progress.show"), 303)


class Spared(NamedTuple):
    """Prints forecast before they were printed: those that needed no test print, and held."""

    n: int
    sure: int
    held: int


class Month(NamedTuple):
    """Film of a press in a month; ``left``, ``low`` and ``wide`` in percent of the chart."""

    name: str
    percent: str
    band: str
    prints: int
    at: float
    low: float
    wide: float


def _now() -> Now:
    desk: Desk = current_app.extensions["desk"]
    return desk.now()


def _learning() -> Learning:
    desk: Desk = current_app.extensions["desk"]
    return current_app.extensions.setdefault("learning", Learning(desk.workspace))


def _not_learnt(now: Now) -> int:
    """Prints in use that the model in charge has not learnt from."""
    prints = now.usual.shop.prints["print_id"]
    if now.model is None:
        return len(prints)
    return len(now.model.since.new)


def _batch(record: Record) -> dict[str, Any]:
    told: dict[str, Any] = {
        "version": record.version,
        "when": minute(record.when),
        "n": len(record.forecasts),
        "aside": len(record.aside),
        "spared": _spared([record]),
    }
    if not len(record.forecasts):
        return told | {"median": None, "inside": None}
    figures = report_card.figures(record.forecasts)
    return told | {"median": figures["median_dE00"], "inside": 100 * figures["coverage90"]}


def _spared(records: list[Record]) -> Spared | None:
    """None where nothing was judged: report cards of before do not say."""
    judged = [r.forecasts for r in records if {"sure", "held"} <= set(r.forecasts)]
    both = pd.concat(judged) if judged else pd.DataFrame()
    if not len(both):
        return None
    sure = both["sure"].astype(bool)
    return Spared(len(both), int(sure.sum()), int(both.loc[sure, "held"].astype(bool).sum()))


def _months(film: pd.DataFrame | None) -> dict[str, list[Month]]:
    """The latest months of every press, each placed on an axis of `MOST_PERCENT` to both sides."""

    def at(percent: float) -> float:
        return 50 + 50 * max(-1.0, min(1.0, percent / MOST_PERCENT))

    found: dict[str, list[Month]] = {}
    for row in [] if film is None else film.to_dict("records"):
        low, high = at(row["lo"]), at(row["hi"])
        found.setdefault(row["press"], []).append(
            Month(
                day_words(row["month"], "month"),
                f"{row['percent']:+.0f} %",
                f"{row['lo']:+.0f} to {row['hi']:+.0f} %",
                row["prints"],
                at(row["percent"]),
                low,
                max(high - low, 0.5),
            )
        )
    return {press: months[-MONTHS:] for press, months in found.items()}
