"""The local page as a Flask application: its places, what they share, and errors as sentences."""

from __future__ import annotations

import logging
from collections.abc import Callable
from http import HTTPStatus

from flask import Blueprint, Flask, current_app, redirect, render_template, request, url_for
from jinja2 import ChoiceLoader, PackageLoader, StrictUndefined
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response

from pipelines.desk import ask, begin, find, measured, progress, safety, screen, shelf, today
from pipelines.desk.opened import Desk
from pipelines.desk.words import day_words, words
from pipelines.pages import render
from pipelines.workspace.problems import UserError
from pipelines.workspace.terminal import without_secrets

# In the order of the tabs. A place is a module with a blueprint `place` of its own name, whose
# first view is `show`, a section of that name in words.toml with a `tab`, and a template.
PLACES: tuple[Blueprint, ...] = (
    today.place,
    ask.place,
    find.place,
    measured.place,
    shelf.place,
    progress.place,
    begin.place,
)
BEHIND = (screen.place,)  # without a tab

log = logging.getLogger("strikeoff")


def make_app(
    desk: Desk, bound: str = "127.0.0.1", on_key: Callable[[str], None] = lambda _: None
) -> tuple[Flask, safety.Key | None]:
    """The page on ``desk``, to be served at the address ``bound``; and the key that lets the first
    device in where that reaches further than this computer (``on_key`` is told each next one)."""
    app = Flask("pipelines.desk", static_folder="static", static_url_path="/static")
    app.jinja_options = {
        "undefined": StrictUndefined,
        "trim_blocks": True,
        "lstrip_blocks": True,
        "loader": ChoiceLoader([PackageLoader("pipelines.desk"), PackageLoader("pipelines.pages")]),
    }
    render.furnish(app.jinja_env)
    app.jinja_env.globals |= {"words": words(), "places": PLACES, "zip": zip}
    app.jinja_env.filters["day"] = day_words
    app.extensions["desk"] = desk
    app.config["SEND_FILE_MAX_AGE_DEFAULT"] = 0
    key = safety.guard(app, bound, on_key)
    for place in (*PLACES, *BEHIND):
        app.register_blueprint(place)
    app.register_error_handler(UserError, _sentence)
    app.register_error_handler(HTTPException, _refused)
    app.register_error_handler(Exception, _broken)
    app.context_processor(_head)
    app.add_url_rule("/", "first", _first)
    return app, key


def _first() -> Response:
    """Today, which also says what to do about a model that cannot be read, or *Begin* where
    nothing has been learnt yet."""
    desk: Desk = current_app.extensions["desk"]
    try:
        now = desk.now()
        learnt = now.model is not None or now.unreadable
    except UserError:
        learnt = False
    return redirect(url_for("today.show" if learnt else "begin.show"))


def _head() -> dict[str, object]:
    """What every page shows of the shop; nothing where it cannot be read."""
    desk: Desk = current_app.extensions["desk"]
    try:
        now = desk.now()
    except UserError:
        return {"shop_name": "", "version": None, "unreadable": False}
    named = now.model.catalogue.settings.name if now.model else now.usual.shop.settings.name
    version = now.model.version if now.model else None
    return {"shop_name": named, "version": version, "unreadable": now.unreadable}


def _said(text: str, status: int) -> tuple[str, int]:
    shown = render_template("message.html", lines=without_secrets(text).splitlines())
    return shown, status


def _sentence(error: UserError) -> tuple[str, int]:
    desk: Desk = current_app.extensions["desk"]
    if not desk.workspace.shops():  # the page begins one itself
        return _said(words().trouble.no_shop, HTTPStatus.BAD_REQUEST)
    return _said(str(error), HTTPStatus.BAD_REQUEST)


def _refused(error: HTTPException) -> tuple[str, int]:
    said = {404: words().trouble.not_found, 405: words().trouble.not_allowed}
    said |= {413: words().trouble.too_big}
    status = error.code or 500
    if status in (401, 421):  # strangers are shown nothing of the shop
        return str(error.description), status
    return _said(said.get(status, error.description or words().trouble.broken), status)


def _broken(error: Exception) -> tuple[str, int]:
    log.error("%s %s", request.method, request.path, exc_info=error)
    return _said(words().trouble.broken, HTTPStatus.INTERNAL_SERVER_ERROR)
