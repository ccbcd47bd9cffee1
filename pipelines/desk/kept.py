"""A batch of measured prints that is kept: shown, decided on, taken back and put in again."""

from __future__ import annotations

from flask import Blueprint, abort, current_app, redirect, request, url_for
from werkzeug.wrappers import Response

from pipelines.desk.answers import answer_of, gate_now, stamp_of
from pipelines.desk.batch import shown
from pipelines.desk.drafts import Changed
from pipelines.desk.opened import Desk, Now
from pipelines.desk.typed import columns_called
from pipelines.desk.words import words
from pipelines.ledger.aims import aims_of
from pipelines.ledger.recording import RECORD
from pipelines.ledger.state import Addition, Batch, Ledger
from pipelines.tables.schema import DRAWDOWNS
from pipelines.tasks.arrived import rows_of
from pipelines.tasks.deciding import batch_of, store_decided, store_taken, taken_back
from pipelines.tasks.lots import carded_lots
from pipelines.words.common import minute
from pipelines.words.waiting import in_doubt_lines
from pipelines.workspace.problems import UserError

place = Blueprint("kept", __name__, url_prefix="/batch")


def _now() -> Now:
    desk: Desk = current_app.extensions["desk"]
    return desk.now()


@place.get("/<int:number>")
def show(number: int) -> str | tuple[str, int]:
    """A batch that is kept: its prints, and what can still be decided on them."""
    return _page(number)


def _page(number: int, wrong: UserError | None = None) -> str | tuple[str, int]:
    now = _now()
    kept = _recorded(now, number)
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
        aims_of(kept),
        wrong,
        name=None,
        number=number,
        inside=inside,
        file=kept.file,
        facts=facts,
        notes=_notes(now, kept, inside),
        nothing=None if inside else words().measured.is_back.format(number=number),
        left_out=[],
        described={},
        answers=0,
        seen=stamp_of(now.ledger),
    )


def _notes(now: Now, kept: Batch, inside: bool) -> list[str]:
    """What answers; what cards among a batch that counts say of lots never printed; and what its
    prints that wait leave in doubt."""
    if not now.model:
        return []
    notes = [words().measured.by_model.format(version=now.opened.version)]
    cards = kept.sheets.get(DRAWDOWNS.name)
    if inside and cards is not None and "ink_lot" in cards.cells:
        called = now.opened.catalogue.called("inks")
        notes += carded_lots(now.opened.model, called, cards.cells)
    if inside and any(now.state.standing[row].batch == kept.id for row in now.given.waiting):
        notes += in_doubt_lines(now.opened.in_doubt, now.opened.catalogue.things())
    return notes


@place.post("/<int:number>/decide")
def decide(number: int) -> Response | tuple[str, int] | str:
    """Keep, correct or set aside a print of a batch."""
    now = _now()
    _recorded(now, number)
    try:
        if request.form.get("seen") != stamp_of(now.ledger):
            raise Changed
        rows, gate = rows_of(now.state, number), gate_now(now)
        answer = answer_of(now, now.state, now.usual.shop, rows)

        def plan(ledger: Ledger) -> Addition | None:
            if stamp_of(ledger) != request.form.get("seen"):
                raise Changed
            return answer.made(ledger, gate)

        how = words().measured.correct_it
        source = now.workspace.database(now.shop)
        store_decided(source, plan, list(answer.print_ids), how, columns_called())
    except UserError as error:
        return _page(number, error)
    return redirect(url_for("measured.kept.show", number=number), 303)


@place.post("/<int:number>/back")
def back(number: int) -> Response | tuple[str, int] | str:
    """Take a batch back whole, or put it in again."""
    now = _now()
    _recorded(now, number)
    out = request.form.get("do") == "back"

    def plan(ledger: Ledger) -> Addition | None:
        if stamp_of(ledger) != request.form.get("seen"):
            raise Changed
        return taken_back(ledger, number, back=out, reason=words().measured.here)

    try:
        store_taken(now.workspace.database(now.shop), number, plan, back=out)
    except UserError as error:
        return _page(number, error)
    return redirect(url_for("measured.kept.show", number=number), 303)


def _recorded(now: Now, number: int) -> Batch:
    if not 1 <= number <= len(now.ledger.batches):
        abort(404)
    found = batch_of(now.ledger, number)
    if found.command != RECORD:
        abort(404)
    return found
