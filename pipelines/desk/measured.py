"""*Measured*: what was measured, shown as it was understood, kept when somebody says so."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from flask import Blueprint, current_app, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from learn.shop import Shop
from pipelines.desk import kept, slips, waiting
from pipelines.desk.answers import answer_of, gate_now, stamp_of
from pipelines.desk.batch import aim_of, shown, targets_now
from pipelines.desk.draft_files import Drafts
from pipelines.desk.drafts import Changed, Draft, Planned
from pipelines.desk.opened import Desk, Now
from pipelines.desk.safety import uploaded
from pipelines.desk.typed import FIELDS, NOT_AS_USUAL, fields_called, written
from pipelines.desk.words import words
from pipelines.ledger import store
from pipelines.ledger.incoming import Called
from pipelines.ledger.recording import RECORD, Report
from pipelines.ledger.state import Addition, Batch, Ledger, State
from pipelines.tasks.arrived import rows_of
from pipelines.tasks.recording import read_batch, usable
from pipelines.words.common import minute
from pipelines.workspace.problems import UserError

place = Blueprint("measured", __name__, url_prefix="/measured")
place.register_blueprint(kept.place)
place.register_blueprint(waiting.place)

SUFFIXES = (".csv", ".tsv", ".txt", ".xlsx", ".xml", ".cxf", ".cgats", ".dat")
CONDITIONS = ("M0", "M1", "M2", "M3")
LATEST = 8  # batches offered to be looked at again
TEXT = ("readings", "print", "day", "target", "tolerance", "condition", *FIELDS)


def _now() -> Now:
    desk: Desk = current_app.extensions["desk"]
    return desk.now()


def _drafts(now: Now) -> Drafts:
    return Drafts(now.workspace, now.shop)


@place.get("/")
def show() -> str:
    """The ways to hand in what was measured, and what came in lately."""
    given = {name: request.args.get(name, "").strip() for name in TEXT}
    return _form(given)


def _form(given: Mapping[str, str], wrong: UserError | None = None, by: str = "hand") -> str:
    """``wrong``: what is so with the form ``by`` hand or by file."""
    now = _now()
    recorded = [b for b in now.ledger.batches if b.command == RECORD][-LATEST:][::-1]
    states = now.ledger.states()
    return render_template(
        "measured.html",
        given=given,
        how_given=any(given[name] for name in NOT_AS_USUAL),
        wrong=str(wrong).splitlines() if wrong else [],
        marks={by: slips.marks(wrong, fields_called()) if wrong else {}},
        suffixes=SUFFIXES,
        conditions=CONDITIONS,
        choices=now.choices if now.model is not None else None,
        targets=sorted(name for name, _ in targets_now(now).by_name.values()),
        batches=[_batch_line(batch, states[batch.id]) for batch in recorded],
        waiting=len(waiting.waiting(now)),
    )


def _batch_line(batch: Batch, inside: bool) -> dict:
    return {
        "id": batch.id,
        "file": batch.file,
        "at": minute(batch.at),
        "prints": batch.counts.get("prints", 0),
        "doubtful": batch.counts.get("doubtful", 0) + batch.counts.get("set aside", 0),
        "inside": inside,
    }


@place.post("/look")
def look() -> Response | tuple[str, int]:
    """Read what was handed in; nothing is stored."""
    given = {name: request.form.get(name, "").strip() for name in TEXT}
    now, sent = _now(), request.files.get("file")
    by_file = sent is not None and bool(sent.filename)
    try:
        gate_now(now)
        aim = (given["target"], given["tolerance"])
        aim_of(*aim, now)
        if by_file:
            draft = _read_file(now, given["condition"])
        else:
            with TemporaryDirectory() as folder:
                path, notes = written(given["readings"], given, now, Path(folder))
                draft = _draft(now, path, None, given["condition"])
            draft = replace(draft, notes=tuple(notes))
        draft = _aimed(draft, aim)
        _after(draft, now)
    except UserError as error:
        return _form(given, error, "file" if by_file else "hand"), 400
    return redirect(url_for("measured.new", name=_drafts(now).put(draft)), 303)


def _read_file(now: Now, condition: str) -> Draft:
    sheet = request.files.get("setups")
    there = sheet is not None and bool(sheet.filename)
    with (
        uploaded("file", SUFFIXES) as path,
        uploaded("setups", SUFFIXES) if there else nullcontext() as setups,
    ):
        return _draft(now, path, setups, condition)


def _draft(now: Now, path: Path, setups: Path | None, condition: str) -> Draft:
    called = Called(**vars(words().measured.called))
    declared = condition if condition in CONDITIONS else None
    meant = request.form.get("as_declared") == "1"
    incoming = read_batch(now.given, path, setups, declared, as_declared=meant, called=called)
    return Draft(incoming, declared is not None)


def _aimed(draft: Draft, of_all: tuple[str, str]) -> Draft:
    """The same; a target of all is that of each print that has none of its own."""
    incoming = draft.incoming
    if "prints" not in incoming.tables:
        return draft
    aims = {}
    for one in incoming.tables["prints"]["print_id"].str.strip():
        text, within = incoming.aims.get(one, ("", ""))
        aims[one] = (text or of_all[0], within or of_all[1])
    aims = {one: aim for one, aim in aims.items() if aim[0]}
    return replace(draft, incoming=replace(incoming, aims=aims))


def _after(draft: Draft, now: Now) -> tuple[State, Shop, Report]:
    """The shop as it would be, and what came of the batch; raises UserError for what cannot be
    kept."""

    def would() -> tuple[State, Shop, Report]:
        planned = Planned(draft, gate_now(now))
        state, shop = usable(now.ledger, planned)
        return state, shop, planned.recording.report

    return now.once(("draft", draft.mark), would)


@place.get("/new/<name>")
def new(name: str) -> str | tuple[str, int]:
    """What would be kept."""
    return _new(name)


def _new(name: str, wrong: UserError | None = None) -> str | tuple[str, int]:
    now = _now()
    draft = _drafts(now).get(name)
    state, shop, report = _after(draft, now)
    incoming = draft.incoming
    notes = [*draft.notes, *report.notes, *([] if now.model else [words().measured.no_model])]
    facts = [
        (words().measured.condition, incoming.condition or words().measured.not_told),
        (words().measured.backing, incoming.backing or words().measured.not_told),
    ]
    return shown(
        now,
        (state, shop) if report.nothing is None else None,
        len(now.ledger.batches) + 1,
        incoming.aims,
        wrong,
        name=name,
        file=incoming.file,
        facts=facts,
        notes=notes,
        nothing=report.nothing,
        left_out=report.left_out,
        described=report.described,
        answers=len(draft.answers),
        seen=f"{stamp_of(now.ledger)}.{draft.mark}",
    )


@place.post("/new/<name>/decide")
def decide_new(name: str) -> Response | tuple[str, int] | str:
    """Decide on prints that are not kept yet; nothing is stored."""
    now = _now()
    draft = _drafts(now).get(name)
    try:
        if request.form.get("seen") != f"{stamp_of(now.ledger)}.{draft.mark}":
            raise Changed
        if request.form.get("do") == "undo":
            changed = draft.with_answers(draft.answers[:-1])
        else:
            state, shop, _ = _after(draft, now)
            rows = rows_of(state, len(now.ledger.batches) + 1)
            answer = answer_of(now, state, shop, rows)
            changed = draft.with_answers((*draft.answers, answer))
        _after(changed, now)
        _drafts(now).change(name, changed, draft.mark)
    except UserError as error:
        return _new(name, error)
    return redirect(url_for("measured.new", name=name), 303)


@place.post("/new/<name>/keep")
def keep(name: str) -> Response | tuple[str, int] | str:
    """Store what was looked at, and nothing else."""
    now = _now()
    draft = _drafts(now).get(name)
    planned = Planned(draft, gate_now(now))
    seen = request.form.get("seen", "")

    def plan(ledger: Ledger) -> Addition | None:
        if seen != f"{stamp_of(ledger)}.{draft.mark}":
            raise Changed
        return planned(ledger)

    try:
        done = store.change(now.workspace.database(now.shop), plan)
    except UserError as error:
        return _new(name, error)
    if done is None or done.batch is None:
        return redirect(url_for("measured.new", name=name), 303)
    _drafts(now).drop(name)
    return redirect(url_for("measured.kept.show", number=done.batch.id), 303)


@place.post("/new/<name>/leave")
def leave(name: str) -> Response:
    """Forget what was looked at."""
    _drafts(_now()).drop(name)
    return redirect(url_for("measured.show"), 303)
