"""Who may ask and what may come in: hosts, keys, forms of our own, sizes, headers.

The page has no users and no passwords: on 127.0.0.1 whoever uses this computer may use it. What it
has to keep out are other pages in the same browser (which may send forms here, or point a name of
theirs at this address) and, when it is bound to more than this computer, everybody without the key.
No text that a client sends is ever opened as a path: files come as uploads and get names of ours.
"""

from __future__ import annotations

import hmac
import ipaddress
import re
import secrets
import socket
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from flask import Flask, abort, make_response, redirect, request, session

from pipelines.desk.words import words
from pipelines.workspace.problems import Kind, UserError

if TYPE_CHECKING:
    from flask import Response
    from werkzeug.wrappers import Response as AnyResponse

MOST_BYTES = 50_000_000  # as the tables' own readers take
MOST_FORM_BYTES = 500_000  # of what is typed
MOST_FIELDS = 2_000
SAFE = {"GET", "HEAD", "OPTIONS"}
FORM = "form_key"  # field of every form that writes
HEADERS = {
    # Swatches carry their colour in a style attribute; no script, frame or font but our own.
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "style-src-attr 'unsafe-inline'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


SHEET = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; "
    "base-uri 'none'; form-action 'none'"
)


class Key:
    """The one-time key that lets a device in; each use makes the next one.

    Examples
    --------
    >>> key = Key()
    >>> first = key.now
    >>> key.taken(first), key.taken(first), key.now != first
    (True, False, True)
    """

    def __init__(self) -> None:
        self.now = secrets.token_urlsafe(18)

    def taken(self, text: str) -> bool:
        """Whether ``text`` is the key; then it is one no longer."""
        fits = hmac.compare_digest(text.encode(), self.now.encode())
        if fits:
            self.now = secrets.token_urlsafe(18)
        return fits


def is_loopback(host: str) -> bool:
    """Whether only this computer reaches a server bound to ``host``.

    >>> is_loopback("127.0.0.1"), is_loopback("localhost"), is_loopback("0.0.0.0")
    (True, True, False)
    """
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def guard(app: Flask, bound: str, on_used: Callable[[str], None]) -> Key | None:
    """Refuse what should not come in. The key that is needed where ``bound`` reaches further than
    this computer; ``on_used`` is told the next one each time."""
    key = None if is_loopback(bound) else Key()
    app.secret_key = secrets.token_bytes(32)  # devices are let in anew with every start
    app.config |= {
        "MAX_CONTENT_LENGTH": MOST_BYTES,
        "MAX_FORM_MEMORY_SIZE": MOST_FORM_BYTES,
        "MAX_FORM_PARTS": MOST_FIELDS,
        "SESSION_COOKIE_HTTPONLY": True,
        "SESSION_COOKIE_SAMESITE": "Strict",
        "SESSION_COOKIE_NAME": f"strikeoff-{secrets.token_hex(4)}",  # cookies know no ports
    }

    @app.before_request
    def _let_in() -> AnyResponse | None:
        if not _is_ours(request.host, bound):
            abort(421, words().trouble.host)
        if request.mimetype != "multipart/form-data":  # which alone brings files
            request.max_content_length = MOST_FORM_BYTES
        if key is not None and not session.get("known"):
            if not key.taken(request.args.get("key", "")):
                abort(401, words().trouble.key)
            session["known"] = True
            on_used(key.now)
            return redirect("/" + request.path.lstrip("/"))  # two strokes lead elsewhere
        if request.method not in SAFE and not _from_here():
            abort(403, words().trouble.foreign)
        return None

    @app.after_request
    def _with_headers(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        response.headers.setdefault("Cache-Control", "no-store")
        return response

    app.jinja_env.globals["form_key"] = form_key
    return key


@contextmanager
def uploaded(field: str, suffixes: Collection[str]) -> Iterator[Path]:
    """The file sent in a field, in a folder of ours for as long as it is looked at.

    It goes by the last part of its own name, so that what is wrong with it can be told, without
    signs that mean anything to a file system. Raises UserError where there is none, or of another
    kind than ``suffixes``.
    """
    sent = request.files.get(field)
    if sent is None or not sent.filename:
        raise UserError(words().trouble.no_file, Kind.MISSING)
    last = sent.filename.replace("\\", "/").rpartition("/")[2]
    name = re.sub(r"[^\w .()-]", "_", last).lstrip(". ")[-80:]
    if Path(name).suffix.lower() not in suffixes or name.startswith("."):
        listed = ", ".join(suffixes)
        raise UserError(words().trouble.suffix.format(name=name or "?", suffixes=listed))
    with TemporaryDirectory() as folder:
        path = Path(folder) / name
        sent.save(path)
        yield path


def sheet(html: str) -> Response:
    """A self-contained page of `pipelines.pages`, which carries its style and no script."""
    response = make_response(html)
    response.headers["Content-Security-Policy"] = SHEET
    return response


def form_key() -> str:
    """What a form of ours carries, so that no other page can send one in its name."""
    if FORM not in session:
        session[FORM] = secrets.token_urlsafe(18)
    return session[FORM]


def _from_here() -> bool:
    origin = request.headers.get("Origin")
    if origin is not None and urlsplit(origin).netloc != request.host:
        return False
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        return False
    sent = request.form.get(FORM, "") or request.headers.get("X-Form-Key", "")
    return FORM in session and hmac.compare_digest(sent.encode(), session[FORM].encode())


def _is_ours(host: str, bound: str) -> bool:
    """Whether a Host header names this server: a page elsewhere can point its own name here, but
    cannot make the browser send another one."""
    name = urlsplit(f"//{host}").hostname or ""
    if name in ("localhost", bound) or name == socket.gethostname().lower():
        return True
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    return address.is_loopback or not is_loopback(bound)
