"""*Today*: the week's jobs, worst first; what to test first; what waits, drifts, has changed."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import pandas as pd
from flask import Blueprint, current_app, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from learn.errors import Unusable
from learn.predict.causes import Verdict
from pipelines.desk.asked import as_it_stands
from pipelines.desk.opened import Desk, Late, Now
from pipelines.desk.safety import uploaded
from pipelines.desk.typed import address, cell_text
from pipelines.desk.words import words
from pipelines.pages.prediction import shown_rows
from pipelines.registry.archive import archive_of
from pipelines.tables.folder import read_setups
from pipelines.tasks import doubts, since, week
from pipelines.tasks.next_test import Ranking, ranking
from pipelines.tasks.of_today import COLUMNS, of_today, today
from pipelines.tasks.tolerances import wide_of
from pipelines.words import jobs as job_words
from pipelines.words.prediction import lab_of
from pipelines.words.status import drift_lines
from pipelines.words.waiting import in_doubt_lines
from pipelines.workspace.problems import UserError

place = Blueprint("today", __name__, url_prefix="/today")
MOST_TESTS = 3
A_PAGE = 60  # jobs, the worst first


class Week(NamedTuple):
    """The week's jobs, predicted."""

    setups: pd.DataFrame
    lines: list[job_words.Line]
    rows: list[dict]  # a set-up each, as cards show them
    notes: list[str]


@place.get("/")
def show() -> str:
    """The day at a glance."""
    desk: Desk = current_app.extensions["desk"]
    now = desk.now()
    file, wrong, found = week.kept(now.workspace, now.shop), "", None
    if file is not None and now.model is not None:
        try:
            found = now.once(("week", _mark(file)), lambda: _read(now, file))
        except UserError as error:
            wrong = str(error)
    tests = drift = changed = doubt = Late(None, False, "")
    day = f"{datetime.now(UTC) - timedelta(days=1):%Y-%m-%d}"
    if found is not None and file is not None:
        told = found
        tests = now.late(("tests", _mark(file)), lambda: _tests(now, told))
        before = since.model_of_before(now.workspace, now.shop, day)
        if before is not None:
            kinds = {line.name: line.kind for line in told.lines}
            changed = now.late(
                ("changed", _mark(file), before),
                lambda: since.other_verdicts(now.workspace, now.shop, before, told.setups, kinds),
            )
    if now.model is not None:
        drift = now.late("drift", lambda: _drift(now))
    if now.model is not None and now.given.waiting:
        doubt = now.late("in doubt", lambda: _in_doubt(now))
    begin = request.args.get("from", 0, type=int) // A_PAGE * A_PAGE
    begin = begin if found and 0 <= begin < len(found.lines) else 0
    lines = found.lines[begin : begin + A_PAGE] if found else []
    return render_template(
        "today.html",
        day=datetime.now(),
        week=found,
        lines=lines,
        pages=_pages(begin, len(found.lines)) if found else {},
        totals=Counter(line.kind for line in found.lines) if found else Counter(),
        asks={i: _address(found.rows[i]) for line in lines for i in line.rows} if found else {},
        wrong=wrong.splitlines(),
        kept=file is not None,
        before=week.kept(now.workspace, now.shop, week.BEFORE) is not None,
        model=now.model is not None,
        no_model=str(now.no_model or ""),
        tests=tests,
        leads=[(_address(one["row"]), _measured(one["row"], now)) for one in tests.found[1]]
        if tests.found
        else [],
        drift=drift,
        doubt=doubt,
        changed=changed,
        came=since.came(now.ledger, now.workspace, now.shop, day),
        arrived=doubts.on_arrival(now.state),
        learnt=_by_learner(now),
        suffixes=week.SUFFIXES,
    )


def _pages(begin: int, n: int) -> dict[str, int]:
    """What leads to the other pages of ``n`` jobs, and where each of these begins."""
    told = {words().shelf.before: begin - A_PAGE, words().shelf.after: begin + A_PAGE}
    return {said: at for said, at in told.items() if -A_PAGE < at < n}


def _by_learner(now: Now) -> int:
    """How many prints the learner doubts."""
    if now.model is None:
        return 0
    return len(doubts.of_learner(archive_of(now.workspace, now.shop), now.state))


@place.post("/jobs")
def keep() -> Response:
    """Take a file of set-ups as the week's jobs, if it can be read."""
    desk: Desk = current_app.extensions["desk"]
    now = desk.now()
    with uploaded("jobs", week.SUFFIXES) as file:
        read_setups(file, now.opened.known, now.opened.targets)
        week.keep(now.workspace, now.shop, file)
    return redirect(url_for("today.show"), 303)


@place.post("/jobs/back")
def put_back() -> Response:
    """Bring back the jobs before."""
    desk: Desk = current_app.extensions["desk"]
    now = desk.now()
    week.put_back(now.workspace, now.shop)
    return redirect(url_for("today.show"), 303)


def _mark(file: Path) -> tuple[str, int, int, date]:
    found = file.stat()
    return file.name, found.st_mtime_ns, found.st_size, today()


def _read(now: Now, file: Path) -> Week:
    opened = now.opened
    setups, warnings = read_setups(file, opened.known, opened.targets)
    setups, of_now = of_today(setups, opened, COLUMNS)
    predictions, jobs = opened.predict_jobs(setups)
    described = opened.catalogue.describe(setups)
    return Week(
        setups,
        job_words.board(jobs, predictions, described),
        shown_rows(predictions, described, opened.catalogue.settings),
        [*warnings, *wide_of(setups, opened), *of_now, *opened.notes],
    )


def _tests(now: Now, found: Week) -> tuple[Ranking, list[dict]]:
    told = ranking(found.setups, now.opened, words().today.file, lambda: now.usual)
    rows = {str(row["setup_id"]): row for row in found.rows}
    worth = told.ranked[told.ranked["verdict"] == Verdict.TEST].head(MOST_TESTS)
    return told, [{**one, "row": rows[str(one["setup_id"])]} for one in worth.to_dict("records")]


def _drift(now: Now) -> list[str]:
    try:
        found = now.glance()
    except Unusable:
        return []
    return list(drift_lines(found.drift, now.opened.catalogue.things()))


def _in_doubt(now: Now) -> list[str]:
    return list(in_doubt_lines(now.opened.in_doubt, now.opened.catalogue.things()))


def _address(row: dict) -> str:
    """The address that asks about a set-up of the file, as it stands there."""
    aim = (_target(row), cell_text(row, "tolerance_dE00"))
    return as_it_stands(row, (row["substrate_id"],), *aim).address()


def _measured(row: dict, now: Now) -> str:
    """The address that a test print of a set-up is handed in at, once it is measured."""
    return address(row, _target(row), cell_text(row, "tolerance_dE00"), now)


def _target(row: dict) -> str:
    lab = lab_of(row, "target_")
    return "" if lab is None else ",".join(f"{v:.4g}" for v in lab)
