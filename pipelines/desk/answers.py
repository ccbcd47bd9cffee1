"""What a form decides on one print of a batch, and whether it was made from how things stand."""

from __future__ import annotations

from typing import NamedTuple

from flask import request

from learn.shop import UNDERBASE, Shop
from pipelines.desk import slips
from pipelines.desk.drafts import Answer, Changed
from pipelines.desk.opened import Now
from pipelines.desk.typed import FIELDS, columns_called, fields_called, fields_read, lab_lines
from pipelines.desk.words import words
from pipelines.ledger.recording import Gate
from pipelines.ledger.state import Ledger, State
from pipelines.registry.archive import archive_of
from pipelines.registry.gate import gate_by
from pipelines.tables.dates import iso_day
from pipelines.tables.folder import known_in
from pipelines.tasks.arrived import arrived
from pipelines.tasks.named import Named
from pipelines.workspace.problems import InputProblems, Kind, UserError


def gate_now(now: Now) -> Gate | None:
    """The check by the model in charge; raises UserError where there is one that cannot be read."""
    if now.model is None:
        if archive_of(now.workspace, now.shop).names():
            raise UserError(words().measured.unreadable_model)
        return None
    return now.once("gate", lambda: gate_by(now.opened))


def stamp_of(ledger: Ledger) -> str:
    return "-".join(map(str, ledger.stamp))


class Refused(NamedTuple):
    """Why a form was refused, in sentences; the fields they are about; and the status of HTTP."""

    lines: list[str]
    marks: dict[str, list[int]]
    status: int


def refused(error: UserError | None) -> Refused:
    """What is told of a decision that cannot be made; without the file it would stand in, where it
    is a print that cannot be learnt from."""
    if error is None:
        return Refused([], {}, 200)
    fields = fields_called() | {words().measured.lab: "lab", words().measured.reason: "reason"}
    found = error if isinstance(error, InputProblems) else error.__cause__
    first = found.problems[0] if isinstance(found, InputProblems) else None
    if first is None or first.column is None:  # told by what the form calls it
        status = 409 if isinstance(error, Changed) else 400
        return Refused(str(error).splitlines(), slips.marks(error, fields), status)
    called = columns_called().get(first.column, "")
    marks = {fields[called]: [0]} if called in fields else {}
    if found is error:
        named = first.called(columns_called())
        how = words().measured.not_like_this
        return Refused([how.format(reason=named.reason, advice=named.advice)], marks, 400)
    return Refused(str(error).splitlines(), marks, 400)


def answer_of(now: Now, state: State, shop: Shop, rows: list[int]) -> Answer:
    """What a form decides on one print of these rows."""
    form = request.form
    print_id, do = form.get("print", ""), form.get("do", "")
    reason = " ".join(form.get("reason", "").split())[:300]
    row = state.row_of(print_id)
    if row is None or row not in rows:
        raise Changed
    if do == "keep":
        return Answer("kept", (print_id,), reason)
    if do == "aside":
        if not reason:
            told = words().measured
            raise slips.Slip(told.why_aside, Kind.MISSING, told.reason)
        return Answer("set aside", (print_id,), reason)
    if do.startswith("fix-"):
        found = arrived(state, shop, rows, now.opened.learnt, {})
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
    called = columns_called()
    with slips.by_name(now):
        cells = Named(known_in(now.given.tables)).cells(called, cells)
    if bare:
        cells |= dict.fromkeys(UNDERBASE, "")
    text = form.get("lab", "").strip()
    if text:
        found = lab_lines(text)
        if len(found) != 1:
            raise slips.Slip(told.no_lab.format(text=text), Kind.UNREADABLE, told.lab)
        cells |= dict(zip("Lab", found[0], strict=True))
    if day := form.get("day", "").strip():
        with slips.of(told.day):
            cells["printed_on"] = iso_day(day, told.day)
    cells = fields_read(cells, {**called, **dict.fromkeys("Lab", told.lab)})
    if not cells:
        raise UserError(told.nothing_corrected)
    return Answer("corrected", (print_id,), reason, {print_id: cells}, lab=bool(text))
