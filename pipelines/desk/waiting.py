"""Prints that wait for a decision, whichever batch they came with: set aside as they came in, or
doubted by the model that has learnt them."""

from __future__ import annotations

from flask import Blueprint, current_app, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from pipelines.desk.answers import answer_of, gate_now, refused, stamp_of
from pipelines.desk.batch import MOST_SHOWN, cards, plain_reason
from pipelines.desk.drafts import Changed
from pipelines.desk.opened import Desk, Now
from pipelines.desk.typed import columns_called
from pipelines.desk.words import words
from pipelines.ledger.state import Addition, Ledger
from pipelines.registry.archive import archive_of
from pipelines.tasks import doubts
from pipelines.tasks.arrived import Outcome, arrived
from pipelines.tasks.deciding import store_decided
from pipelines.workspace.problems import UserError

place = Blueprint("waiting", __name__, url_prefix="/waiting")

LATELY = 8  # decisions that can be turned round


def waiting(now: Now) -> dict[int, str]:
    """Rows of prints that wait, and why."""
    by_model = {}
    if now.model is not None:
        by_model = doubts.of_learner(archive_of(now.workspace, now.shop), now.state)
    return doubts.set_aside(now.state) | by_model


@place.get("/")
def show() -> str | tuple[str, int]:
    """Each of them, measured beside expected, with what could be wrong."""
    return _page()


def _page(wrong: UserError | None = None) -> str | tuple[str, int]:
    desk: Desk = current_app.extensions["desk"]
    now = desk.now()
    why = waiting(now)
    rows = [*why][:MOST_SHOWN]
    model = now.model.learnt if now.model else None
    shop = now.usual.shop
    found = now.once(("waiting", *rows), lambda: arrived(now.state, shop, rows, model, {}))
    shown = render_template(
        "measured_waiting.html",
        prints=[
            _to_look_at(card) | {"reason": plain_reason(why[row])}
            for row, card in zip(rows, cards(found, now, now.state), strict=True)
        ],
        more=len(why) - len(rows),
        lately=_lately(now),
        wrong=refused(wrong),
        seen=stamp_of(now.ledger),
        choices=now.choices if now.model else None,
        redo=request.form,
    )
    return (shown, refused(wrong).status) if wrong else shown


def _to_look_at(card: dict) -> dict:
    """The same; what the model doubts is looked at again, however near it is to what is expected
    now."""
    if card["outcome"] == Outcome.FAULT:
        return card
    return card | {"outcome": Outcome.DOUBT.value, "words": words().measured.big.doubt.one}


def _lately(now: Now) -> list[dict]:
    """The latest decisions of people on prints, the last of each; the newest first."""
    last = {d.print_id: d for d in now.ledger.decisions if d.print_id and d.what != "doubted"}
    newest = sorted(last.values(), key=lambda one: -one.id)[:LATELY]
    return [{"print_id": d.print_id, "what": d.what, "reason": d.reason} for d in newest]


@place.post("/decide")
def decide() -> Response | tuple[str, int] | str:
    """Keep, correct or set aside one of them, or one that was decided on lately."""
    desk: Desk = current_app.extensions["desk"]
    now = desk.now()
    rows = [*waiting(now)]
    known = (now.state.row_of(str(one["print_id"])) for one in _lately(now))
    try:
        if request.form.get("seen") != stamp_of(now.ledger):
            raise Changed
        rows += [row for row in known if row is not None]
        answer, gate = answer_of(now, now.state, now.usual.shop, rows), gate_now(now)

        def plan(ledger: Ledger) -> Addition | None:
            if stamp_of(ledger) != request.form.get("seen"):
                raise Changed
            return answer.made(ledger, gate)

        source = now.workspace.database(now.shop)
        how = words().measured.correct_it
        store_decided(source, plan, list(answer.print_ids), how, columns_called())
    except UserError as error:
        return _page(error)
    return redirect(url_for("measured.waiting.show"), 303)
