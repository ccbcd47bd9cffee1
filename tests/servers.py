"""A PostgreSQL server for a test run: its own cluster in a temporary folder, or one named by URL.

STRIKEOFF_TEST_SERVER may hold the URL of a server on which databases can be made; else the
programs of Debian's package `postgresql` start one that listens on no network.
"""

from __future__ import annotations

import getpass
import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

VARIABLE = "STRIKEOFF_TEST_SERVER"


def _program(name: str) -> str | None:
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return str(found[-1]) if found else shutil.which(name)


@contextmanager
def running_server() -> Iterator[str]:
    """URL of a server's database `postgres`.

    Skips, with the reason, where none is installed; one that is installed and does not start is a
    failure.
    """
    pytest.importorskip("psycopg", reason="psycopg is not installed: pip install '.[postgresql]'")
    if url := os.environ.get(VARIABLE):
        yield url
        return
    initdb, pg_ctl = _program("initdb"), _program("pg_ctl")
    if not (initdb and pg_ctl):
        pytest.skip("no PostgreSQL server programs: apt-get install postgresql")
    user = getpass.getuser()
    if os.getuid() == 0:
        if subprocess.run(["id", "postgres"], capture_output=True, check=False).returncode:
            pytest.skip("running as root, and there is no user postgres to run the server as")
        user = "postgres"
    folder = Path(tempfile.mkdtemp(prefix="strikeoff-pg-"))
    try:
        if user != getpass.getuser():
            shutil.chown(folder, user)
        _run(initdb, "-D", f"{folder}/data", "-U", user, "-A", "trust", "-E", "UTF8",
             "--locale=C", "-N")  # fmt: skip
        _start(folder)
        try:
            yield f"postgresql://{user}@/postgres?host={folder}"
        finally:
            _stop(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _run(*command: str) -> None:
    # The server refuses to run as root.
    # root's own tools, which are not on every path
    runuser = shutil.which("runuser", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")
    as_user = [runuser or "runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
    done = subprocess.run(
        [*as_user, *command],
        cwd="/",
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
        timeout=60,
    )
    if done.returncode:
        pytest.fail(f"the PostgreSQL server did not start: {done.stdout[-300:]}")


def _start(folder: Path) -> None:
    options = f"-c listen_addresses= -c unix_socket_directories={folder} -c fsync=off"
    log = str(folder / "log")
    _run(str(_program("pg_ctl")), "-D", f"{folder}/data", "-w", "-l", log, "-o", options, "start")


def _stop(folder: Path) -> None:
    _run(str(_program("pg_ctl")), "-D", f"{folder}/data", "-m", "immediate", "-w", "stop")


@contextmanager
def down(server: str) -> Iterator[Callable[[], None]]:
    """What stops a server of ours at once, as if its machine had died; it is up again after it."""
    import sqlalchemy as sa

    folder = Path(str(sa.make_url(server).query.get("host", "")))
    if not (folder / "data" / "PG_VERSION").is_file():
        pytest.skip("the server that is tried on is not ours to stop")
    stopped = False

    def stop() -> None:
        nonlocal stopped
        stopped = True
        _stop(folder)

    try:
        yield stop
    finally:
        if stopped:
            _start(folder)


@contextmanager
def fresh_database(server: str) -> Iterator[str]:
    """URL of a new, empty database on the server; dropped in the end."""
    import psycopg
    import sqlalchemy as sa

    name = f"strikeoff_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    try:
        url = sa.make_url(server).set(database=name)
        yield url.render_as_string(hide_password=False)
    finally:  # by another connection: the server may have been down in between
        with psycopg.connect(server, autocommit=True) as connection:
            connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
