"""The local page on the small shop, by Flask's own client and in a real browser."""

from __future__ import annotations

import re
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from waitress.server import create_server

from pipelines.desk.app import make_app
from pipelines.desk.opened import Desk
from pipelines.desk.safety import FORM
from pipelines.workspace.folders import Workspace

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"


def text_of(html: str) -> str:
    """What stands on a page, without marks, as one line."""
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def marked(html: str) -> dict[str, list[str]]:
    """Fields that are marked as wrong, and the sentences that are told of each."""
    said = dict(re.findall(r'<p id="(wrong-\d+)">(.*?)</p>', html))
    found = re.findall(r'data-mark="(\w+)" aria-invalid="true" aria-describedby="([^"]*)"', html)
    return {name: [said[one] for one in ids.split() if one in said] for name, ids in found}


@pytest.fixture(scope="session")
def app(learnt_workspace):
    """The page on the small shop; nothing may be written there."""
    return make_app(Desk(Workspace(learnt_workspace), None))[0]


@pytest.fixture
def client(app) -> FlaskClient:
    return app.test_client()


@pytest.fixture(autouse=True)
def _learning_waits_for_nobody(monkeypatch):
    """As tests run on all processors, what stands back would wait for the last of them."""
    monkeypatch.setattr("pipelines.desk.learning.GENTLY", 0)


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """The page served on a free port."""
    server = create_server(app, host="127.0.0.1", port=0, threads=8)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.close()


def serving(root: Path) -> AbstractContextManager[str]:
    """The page on the workspace ``root``, served."""
    return served(make_app(Desk(Workspace(root), None))[0])


@pytest.fixture(scope="session")
def address(app) -> Iterator[str]:
    """The page on the small shop, served."""
    with served(app) as at:
        yield at


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium; tests that ask for it are skipped where there is none."""
    if not Path(CHROMIUM).is_file():
        pytest.skip("no Chromium here: the local page is not tried in a browser")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        run = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield run
        run.close()


@pytest.fixture
def own(learnt_workspace, tmp_path):
    """A client that may write: the page on a copy of the small shop, which is at ``own.root``; its
    forms carry their key."""
    root = shutil.copytree(learnt_workspace, tmp_path / "own")
    return writing(root)


def writing(root: Path) -> FlaskClient:
    """A client of the page on the workspace ``root`` whose forms carry their key."""
    client = make_app(Desk(Workspace(root), None))[0].test_client()
    client.root = root
    with client.session_transaction() as session:
        session[FORM] = "key"
    client.send = lambda path, **fields: client.post(
        path, data={FORM: "key", **fields}, content_type="multipart/form-data"
    )
    return client


def later(client, path: str) -> str:
    """The page once nothing on it is being worked out."""
    for _ in range(240):
        html = client.get(path).text
        if "data-pending" not in html:
            return text_of(html)
        time.sleep(0.5)
    pytest.fail("still being worked out")
