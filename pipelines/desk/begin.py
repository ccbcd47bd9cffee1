"""*Begin*: from nothing to the first prints: a workbook to fill in, its return, what to print."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from flask import Blueprint, current_app, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from pipelines.desk.opened import Desk, Late, Now
from pipelines.desk.safety import sheet, uploaded
from pipelines.desk.words import words
from pipelines.ledger import store
from pipelines.ledger.state import IMPORT, Batch
from pipelines.pages.first_prints import first_prints_page
from pipelines.tables.blank import write_blank
from pipelines.tables.csvfile import for_people
from pipelines.tables.folder import read_folder
from pipelines.tasks.deciding import store_taken, taken_back
from pipelines.tasks.demo import is_demo, take_demo
from pipelines.tasks.first_prints import STEM, FirstPrints, first_prints_of
from pipelines.tasks.importing import in_tables
from pipelines.words.common import minute
from pipelines.words.history import brought
from pipelines.workspace.folders import checked_name, name_from
from pipelines.workspace.problems import Kind, UserError

place = Blueprint("begin", __name__, url_prefix="/begin")

BOOK, FIRST = "shop.xlsx", "first prints"
SUFFIXES = (".xlsx",)
SHOWN = 60  # first prints on the page; the sheet has them all
EXCEL = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@place.get("/")
def show() -> str:
    """The steps, and which of them are done."""
    return _page()


@place.get("/" + BOOK)
def workbook() -> Response:
    """The empty workbook."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / BOOK
        write_blank(path)
        return _file(path.read_bytes(), BOOK, EXCEL)


@place.get("/tables")
def taken() -> str:
    """The same: here a page stands that has just taken tables in, and looks again."""
    return _page()


@place.post("/tables")
def take() -> str | Response | tuple[str, int]:
    """Take a filled workbook in, or only tell how it is understood."""
    desk: Desk = current_app.extensions["desk"]
    look, name = "look" in request.form, request.form.get("name", "").strip()
    try:
        with uploaded("tables", SUFFIXES) as file:
            shop = _shop(desk, name)
            checked = read_folder(file, name=shop)
            done = words().begin.would if look else words().begin.did
            said = [*in_tables(shop, checked, "strikeoff import --strict", done), *checked.warnings]
            if look:
                return _page(said=[*said, words().begin.looked], name=name)
            batch = store.save(checked.given, desk.workspace.database(shop), file=file.name)
            desk.turn_to(shop)
    except UserError as error:
        return _page(wrong=str(error), said=list(error.notes), name=name), 400
    return _page(said=said if batch is not None else [*said, words().begin.again])


@place.post("/demo")
def demo() -> Response:
    """Take the invented shop in, to look round."""
    desk: Desk = current_app.extensions["desk"]
    take_demo(desk.workspace)
    return redirect(url_for("begin.show"), 303)


@place.post("/tables/back")
def take_back() -> Response:
    """Take the last import back whole; what was before holds again."""
    now = _now()
    batch = _last(now)
    if batch is None or request.form.get("batch") != str(batch.id):
        raise UserError(words().trouble.foreign)  # another has come in meanwhile
    store_taken(
        now.workspace.database(now.shop),
        batch.id,
        lambda ledger: taken_back(ledger, batch.id, back=True, reason=""),
        back=True,
    )
    return redirect(url_for("begin.show"), 303)


@place.get("/first-prints.csv")
def listed() -> Response:
    """The list of first prints, as ``record --prints`` takes it."""
    found = _first(_now())
    return _file(for_people(found.prints).encode(), f"{STEM}.csv", "text/csv; charset=utf-8")


@place.get("/first-prints")
def pressed() -> Response:
    """The press sheet of the first prints."""
    now = _now()
    found = _first(now)
    return sheet(
        first_prints_page(
            found.prints,
            shop_name=now.usual.shop.settings.name,
            words=found.words,
            fibres=found.fibres,
            known=found.known,
        )
    )


def _page(said: list[str] | None = None, wrong: str = "", name: str = "") -> str:
    now = _begun()
    late = Late(None, False, "")
    # who has learnt before seldom asks what to print first, and it takes seconds an ink
    new = now is not None and now.model is None and not now.unreadable
    if now is not None and (new or request.args.get("first")):
        late = now.late(FIRST, lambda: _list(now))
    first: FirstPrints | None = late.found
    batch = None if now is None else _last(now)
    return render_template(
        "begin.html",
        said=said or [],
        wrong=wrong.splitlines(),
        name=name,
        named=now is None or _invented(now),
        invented=now is not None and _invented(now),
        shop="" if now is None else now.shop,
        batch=batch,
        told="" if batch is None else brought(batch.counts),
        at="" if batch is None else minute(batch.at),
        undo=batch is not None and now is not None and len(_imports(now)) > 1,
        first=first,
        rows=[] if first is None else first.prints.head(SHOWN).to_dict("records"),
        trouble=late.trouble,
        pending=late.pending,
        prints=0 if now is None else len(now.usual.shop.prints),
        learnt=now is not None and now.model is not None,
    )


def _now() -> Now:
    desk: Desk = current_app.extensions["desk"]
    return desk.now()


def _begun() -> Now | None:
    """The shop; None where there is none yet."""
    desk: Desk = current_app.extensions["desk"]
    return desk.now() if desk.workspace.shops() else None


def _shop(desk: Desk, name: str) -> str:
    """The shop that tables are taken in for: the one the page stands on, else one of this name.

    The invented shop stays what it is: a shop of one's own is begun beside it.
    """
    now = _begun()
    if now is not None and not _invented(now):
        return now.shop
    if not name:
        raise UserError(words().begin.no_name, Kind.MISSING)
    new = checked_name(name_from(name))
    if new in desk.workspace.shops():
        raise UserError(words().begin.taken.format(name=new), Kind.CONTRADICTION)
    return new


def _invented(now: Now) -> bool:
    return is_demo(now.shop, now.usual.shop.settings.name)


def _first(now: Now) -> FirstPrints:
    return now.once(FIRST, lambda: _list(now))


def _list(now: Now) -> FirstPrints:
    """The list: at once for a shop without a model, some seconds an ink with one."""
    return first_prints_of(now.workspace, now.shop, now.usual.shop, {})


def _imports(now: Now) -> list[Batch]:
    states = now.ledger.states()
    return [b for b in now.ledger.batches if b.command == IMPORT and states[b.id]]


def _last(now: Now) -> Batch | None:
    """The import that holds."""
    imports = _imports(now)
    return imports[-1] if imports else None


def _file(data: bytes, name: str, kind: str) -> Response:
    response = make_response(data)
    response.headers["Content-Type"] = kind
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
