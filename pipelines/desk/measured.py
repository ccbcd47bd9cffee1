"""*Measured*: what was measured, shown as it was understood, kept when somebody says so."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from flask import Blueprint, abort, current_app, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from learn.shop import UNDERBASE, Shop
from pipelines.desk.batch import MOST_AIMS, aim_of, batch_address, shown, targets_now
from pipelines.desk.drafts import Answer, Changed, Draft, Drafts, Planned
from pipelines.desk.opened import Desk, Now
from pipelines.desk.safety import uploaded
from pipelines.desk.typed import FIELDS, lab_lines, written
from pipelines.desk.words import words
from pipelines.ledger import store
from pipelines.ledger.incoming import Called, aims_of
from pipelines.ledger.recording import RECORD, Gate, Report
from pipelines.ledger.state import Addition, Batch, Ledger, State
from pipelines.registry.gate import gate_by
from pipelines.tables.folder import known_in
from pipelines.tasks.arrived import arrived
from pipelines.tasks.deciding import batch_of, store_decided, store_taken, taken_back
from pipelines.tasks.named import Named
from pipelines.tasks.recording import read_batch, usable
from pipelines.words.common import minute
from pipelines.workspace.problems import InputProblems, UserError

place = Blueprint("measured", __name__, url_prefix="/measured")

SUFFIXES = (".csv", ".tsv", ".txt", ".xlsx", ".xml", ".cxf", ".cgats", ".dat")
CONDITIONS = ("M0", "M1", "M2", "M3")
LATEST = 8  # batches offered to be looked at again
TEXT = ("readings", "print", "day", "target", "tolerance", "condition", *FIELDS)


def _now() -> Now:
    desk: Desk = current_app.extensions["desk"]
    return desk.now()


def _drafts() -> Drafts:
    return current_app.extensions.setdefault("drafts", Drafts())


def _gate(now: Now) -> Gate | None:
    """The check by the model in charge; raises UserError where there is one that cannot be read."""
    from pipelines.registry.archive import archive_of

    if now.model is None:
        if archive_of(now.workspace, now.shop).names():
            raise UserError(words().measured.unreadable_model)
        return None
    return now.once("gate", lambda: gate_by(now.opened.model))


@place.get("/")
def show() -> str:
    """The ways to hand in what was measured, and what came in lately."""
    given = {name: request.args.get(name, "").strip() for name in TEXT}
    return _form(given, "")


def _form(given: Mapping[str, str], wrong: str) -> str:
    now = _now()
    recorded = [b for b in now.ledger.batches if b.command == RECORD][-LATEST:][::-1]
    states = now.ledger.states()
    return render_template(
        "measured.html",
        given=given,
        wrong=wrong.splitlines(),
        suffixes=SUFFIXES,
        conditions=CONDITIONS,
        choices=now.choices if now.model is not None else None,
        targets=sorted(name for name, _ in targets_now(now).by_name.values()),
        batches=[_batch_line(batch, states[batch.id]) for batch in recorded],
        waiting=len(now.state.doubted()),
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
    now = _now()
    try:
        _gate(now)
        aim = (given["target"], given["tolerance"])
        aim_of(*aim, now)
        sent = request.files.get("file")
        if sent is not None and sent.filename:
            draft = _read_file(now, given["condition"])
        else:
            with TemporaryDirectory() as folder:
                path, notes = written(given["readings"], given, now, Path(folder))
                draft = _draft(now, path, None, given["condition"])
            draft = replace(draft, notes=tuple(notes))
        draft = replace(draft, target=aim)
        _after(draft, now)
    except UserError as error:
        return _form(given, str(error)), 400
    return redirect(url_for("measured.new", name=_drafts().put(draft)), 303)


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
    try:
        aims = aims_of(setups or path)
    except UserError:  # an instrument's export, which is no table
        aims = {}
    return Draft(incoming, declared is not None, aims=aims)


def _after(draft: Draft, now: Now) -> tuple[State, Shop, Report]:
    """The shop as it would be, and what came of the batch; raises UserError for what cannot be
    kept."""

    def would() -> tuple[State, Shop, Report]:
        planned = Planned(draft, _gate(now))
        state, shop = usable(now.ledger, planned)
        return state, shop, planned.recording.report

    return now.once(("draft", draft.mark), would)


@place.get("/new/<name>")
def new(name: str) -> str | tuple[str, int]:
    """What would be kept."""
    return _new(name, "")


def _new(name: str, wrong: str, status: int = 200) -> str | tuple[str, int]:
    now, draft = _now(), _drafts().get(name)
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
        (draft.target, draft.aims),
        wrong,
        status,
        name=name,
        file=incoming.file,
        facts=facts,
        notes=notes,
        nothing=report.nothing,
        left_out=report.left_out,
        described=report.described,
        answers=len(draft.answers),
        seen=f"{_stamp(now.ledger)}.{draft.mark}",
    )


@place.post("/new/<name>/decide")
def decide_new(name: str) -> Response | tuple[str, int] | str:
    """Decide on prints that are not kept yet; nothing is stored."""
    now, draft = _now(), _drafts().get(name)
    try:
        if request.form.get("seen") != f"{_stamp(now.ledger)}.{draft.mark}":
            raise Changed
        if request.form.get("do") == "undo":
            changed = draft.with_answers(draft.answers[:-1])
        else:
            state, shop, _ = _after(draft, now)
            answer = _answer(now, state, shop, len(now.ledger.batches) + 1)
            changed = draft.with_answers((*draft.answers, answer))
        _after(changed, now)
        _drafts().change(name, changed, draft.mark)
    except UserError as error:
        return _new(name, _plain(error), 409 if isinstance(error, Changed) else 400)
    return redirect(url_for("measured.new", name=name), 303)


@place.post("/new/<name>/keep")
def keep(name: str) -> Response | tuple[str, int] | str:
    """Store what was looked at, and nothing else."""
    now, draft = _now(), _drafts().get(name)
    planned = Planned(draft, _gate(now))
    seen = request.form.get("seen", "")

    def plan(ledger: Ledger) -> Addition | None:
        if seen != f"{_stamp(ledger)}.{draft.mark}":
            raise Changed
        return planned(ledger)

    try:
        done = store.change(now.workspace.database(now.shop), plan)
    except UserError as error:
        return _new(name, _plain(error), 409 if isinstance(error, Changed) else 400)
    if done is None or done.batch is None:
        return redirect(url_for("measured.new", name=name), 303)
    _drafts().drop(name)
    return redirect(batch_address(done.batch.id, draft.target, draft.aims), 303)


@place.post("/new/<name>/leave")
def leave(name: str) -> Response:
    """Forget what was looked at."""
    _drafts().drop(name)
    return redirect(url_for("measured.show"), 303)


@place.get("/batch/<int:number>")
def batch(number: int) -> str | tuple[str, int]:
    """A batch that is kept: its prints, and what can still be decided on them."""
    return _batch(number, "")


def _batch(number: int, wrong: str, status: int = 200) -> str | tuple[str, int]:
    now = _now()
    kept = _recorded(now, number)
    aims = {}
    for text in request.args.getlist("aim")[:MOST_AIMS]:
        print_id, _, aim = text.partition("|")
        aims[print_id] = (aim.partition("|")[0], aim.partition("|")[2])
    target = (request.args.get("target", "").strip(), request.args.get("tolerance", "").strip())
    inside = now.ledger.states()[number]
    facts = [
        (words().measured.kept_at, f"{minute(kept.at)} UTC"),
        (words().measured.condition, kept.condition or words().measured.not_told),
        (words().measured.backing, kept.backing or words().measured.not_told),
    ]
    return shown(
        now,
        (now.state, now.usual.shop) if inside else None,
        number,
        (target, aims),
        wrong,
        status,
        name=None,
        number=number,
        inside=inside,
        file=kept.file,
        facts=facts,
        notes=[words().measured.by_model.format(version=now.opened.version)] if now.model else [],
        nothing=None if inside else words().measured.is_back.format(number=number),
        left_out=[],
        described={},
        answers=0,
        seen=_stamp(now.ledger),
    )


@place.post("/batch/<int:number>/decide")
def decide(number: int) -> Response | tuple[str, int] | str:
    """Keep, correct or set aside a print of a batch."""
    now = _now()
    _recorded(now, number)
    try:
        if request.form.get("seen") != _stamp(now.ledger):
            raise Changed
        answer, gate = _answer(now, now.state, now.usual.shop, number), _gate(now)

        def plan(ledger: Ledger) -> Addition | None:
            if _stamp(ledger) != request.form.get("seen"):
                raise Changed
            return answer.made(ledger, gate)

        how = words().measured.correct_it
        source = now.workspace.database(now.shop)
        store_decided(source, plan, list(answer.print_ids), how)
    except UserError as error:
        return _batch(number, str(error), 409 if isinstance(error, Changed) else 400)
    return redirect(batch_address(number), 303)


@place.post("/batch/<int:number>/back")
def back(number: int) -> Response | tuple[str, int] | str:
    """Take a batch back whole, or put it in again."""
    now = _now()
    _recorded(now, number)
    out = request.form.get("do") == "back"

    def plan(ledger: Ledger) -> Addition | None:
        if _stamp(ledger) != request.form.get("seen"):
            raise Changed
        return taken_back(ledger, number, back=out, reason=words().measured.here)

    try:
        store_taken(now.workspace.database(now.shop), number, plan, back=out)
    except UserError as error:
        return _batch(number, str(error), 409 if isinstance(error, Changed) else 400)
    return redirect(batch_address(number), 303)


def _recorded(now: Now, number: int) -> Batch:
    if not 1 <= number <= len(now.ledger.batches):
        abort(404)
    found = batch_of(now.ledger, number)
    if found.command != RECORD:
        abort(404)
    return found


def _stamp(ledger: Ledger) -> str:
    return "-".join(map(str, ledger.stamp))


def _plain(error: UserError) -> str:
    """What cannot be learnt from, without the file it would stand in."""
    if isinstance(error, InputProblems):
        first = error.problems[0]
        return words().measured.not_like_this.format(reason=first.reason, advice=first.advice)
    return str(error)


def _answer(now: Now, state: State, shop: Shop, number: int) -> Answer:
    """What a form decides on one print."""
    form = request.form
    print_id, do = form.get("print", ""), form.get("do", "")
    reason = " ".join(form.get("reason", "").split())[:300]
    row = state.row_of(print_id)
    if row is None or state.standing[row].batch != number:
        raise Changed
    if do == "keep":
        return Answer("kept", (print_id,), reason)
    if do == "aside":
        if not reason:
            raise UserError(words().measured.why_aside)
        return Answer("set aside", (print_id,), reason)
    if do.startswith("fix-"):
        found = arrived(state, shop, number, now.opened.model, {})
        fixes = next(one.fixes for one in found if one.print_id == print_id)
        if not do[4:].isdigit() or int(do[4:]) >= len(fixes):
            raise Changed
        fix = fixes[int(do[4:])]
        return Answer("corrected", tuple(fix.changes), reason, fix.changes)
    return _corrected_by_hand(now, print_id, reason)


def _corrected_by_hand(now: Now, print_id: str, reason: str) -> Answer:
    told, form = words().measured, request.form
    cells = {c: form.get(f, "").strip() for f, c in FIELDS.items() if form.get(f, "").strip()}
    bare = cells.get(UNDERBASE[0], "").casefold() == "none"
    if bare:
        del cells[UNDERBASE[0]]
    called = {column: getattr(told, name) for name, column in FIELDS.items()}
    cells = Named(known_in(now.given.tables)).cells(called, cells)
    if bare:
        cells |= dict.fromkeys(UNDERBASE, "")
    text = form.get("lab", "").strip()
    if text:
        found = lab_lines(text)
        if len(found) != 1:
            raise UserError(told.no_lab.format(text=text))
        cells |= dict(zip("Lab", found[0], strict=True))
    if not cells:
        raise UserError(told.nothing_corrected)
    return Answer("corrected", (print_id,), reason, {print_id: cells}, lab=bool(text))
