"""``strikeoff open``: the shop on a local page in the browser."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from pipelines.commands._options import add_command, add_shop, whole
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from socket import socket

HOST, PORT, PORTS = "127.0.0.1", 8700, 50
THREADS = 8
ABOUT = """\
Opens the shop on a page in the browser: ask how an ink prints on a garment, by name, with swatches,
bands and verdict. It runs on this computer alone until Ctrl-C ends it, and needs no network. With
--host ADDRESS a tablet at the press can open it too, by the link that is told and no other.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "open",
        "the shop on a page in the browser",
        ABOUT,
        ["strikeoff open", "strikeoff open --port 8800 --no-browser"],
    )
    add_shop(add)
    help_text = f"where the page is (default: the first free one from {PORT} on)"
    add.add_argument("--port", metavar="NUMBER", help=help_text)
    help_text = f"the address that it is bound to (default: {HOST}, this computer alone)"
    add.add_argument("--host", metavar="ADDRESS", help=help_text, default=HOST)
    add.add_argument("--no-browser", action="store_true", help="tell the address, open nothing")
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    port = None if args.port is None else whole("--port", args.port)
    if port is not None and not 0 < port < 65536:
        raise UserError(f"--port {port}: give a number from 1 to 65535.")
    return open_desk(
        workspace=workspace, shop=args.shop, host=args.host, port=port, browser=not args.no_browser
    )


def open_desk(
    *,
    workspace: Workspace,
    shop: str | None = None,
    host: str = HOST,
    port: int | None = None,
    browser: bool = True,
) -> int:
    """Serve the page until it is interrupted."""
    import logging
    import webbrowser

    from waitress.server import create_server

    from pipelines.desk.app import make_app
    from pipelines.desk.opened import Desk
    from pipelines.desk.safety import MOST_BYTES
    from pipelines.desk.words import words

    if shop is not None or workspace.shops() or workspace.lost():
        workspace.pick(shop)  # says which ones there are
    bound = _bound(host, port)
    number = bound.getsockname()[1]
    told = words().open
    shown = f"[{host}]" if ":" in host else host

    def address(key: str | None) -> str:
        return f"http://{shown}:{number}/" + (f"?key={key}" if key else "")

    app, key = make_app(
        Desk(workspace, shop),
        host,
        lambda again: print(told.device.format(url=address(again)), flush=True),
    )
    server = create_server(
        app,
        sockets=[bound],
        threads=THREADS,
        max_request_body_size=MOST_BYTES,
        ident=None,
        clear_untrusted_proxy_headers=True,
    )
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a moment's wait is no news
    url = address(key.now if key else None)
    print(told.at.format(url=url), flush=True)
    if browser:
        webbrowser.open(url)
    try:
        server.run()
    finally:
        server.close()
    print(told.ended)
    return 0


def _bound(host: str, port: int | None) -> socket:
    """A socket at the port, or at the first free one; raises UserError where there is none."""
    import errno
    import socket

    ports = [port] if port is not None else range(PORT, PORT + PORTS)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    for one in ports:
        found = socket.socket(family, socket.SOCK_STREAM)
        try:
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            found.bind((host, one))
            found.listen(128)
        except OSError as error:
            found.close()
            if error.errno == errno.EADDRINUSE and port is None:
                continue
            if error.errno == errno.EADDRINUSE:
                raise UserError(
                    f"--port {port} is taken by another program; give another one, or none."
                ) from None
            if isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL:
                raise UserError(
                    f"--host {host} is no address of this computer; give one, or leave it out."
                ) from None
            raise UserError(f"--port {one}: {error.strerror}; give another one.") from None
        return found
    raise UserError(f"No port from {PORT} to {PORT + PORTS - 1} is free; give one with --port.")
