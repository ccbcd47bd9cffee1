"""Other pages, other hosts, other devices and other people's files stay out."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.desk.app import make_app
from pipelines.desk.opened import Desk
from pipelines.desk.safety import FORM, HEADERS, MOST_BYTES
from pipelines.workspace.folders import Workspace
from tests.desk.conftest import text_of


@pytest.fixture
def writing(tmp_path):
    """The page of an empty workspace with one more view, which writes."""
    app, _ = make_app(Desk(Workspace(tmp_path), None))
    app.add_url_rule("/write", "write", lambda: "written", methods=["POST"])
    return app.test_client()


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "10.0.0.9", ""])
def test_a_name_that_others_point_here_is_refused(client, host):
    reply = client.get("/ask/", headers={"Host": host})
    assert reply.status_code == 421
    assert "Turquoise" not in reply.text


@pytest.mark.parametrize("host", ["127.0.0.1:8700", "localhost:8700", "[::1]:8700"])
def test_this_computer_is_let_in(client, host):
    assert client.get("/ask/", headers={"Host": host}).status_code == 200


def form_key(client) -> str:
    client.get("/static/desk.css")
    with client.session_transaction() as session:
        session[FORM] = "the key of this session"
    return "the key of this session"


def test_a_form_of_ours_writes_and_no_other(writing):
    ours = {FORM: form_key(writing)}
    assert writing.post("/write", data=ours).text == "written"
    assert writing.post("/write").status_code == 403
    assert writing.post("/write", data={FORM: "guessed"}).status_code == 403
    for head in ({"Origin": "http://evil.example"}, {"Sec-Fetch-Site": "cross-site"}):
        reply = writing.post("/write", data=ours, headers=head)
        assert reply.status_code == 403
        assert "did not come from this page" in text_of(reply.text)


def test_beyond_this_computer_a_device_needs_the_link_and_each_link_lets_in_one(tmp_path):
    told: list[str] = []
    app, key = make_app(Desk(Workspace(tmp_path), None), "0.0.0.0", told.append)
    assert key is not None
    first, other, third = (app.test_client() for _ in range(3))
    at = {"Host": "192.168.1.5:8700"}
    assert first.get("/screen/", headers=at).status_code == 401
    link = f"/?key={key.now}"
    reply = first.get(link, headers=at)
    assert (reply.status_code, reply.location) == (302, "/")
    assert "HttpOnly" in reply.headers["Set-Cookie"] and "Strict" in reply.headers["Set-Cookie"]
    assert first.get("/nothing", headers=at).status_code == 404
    assert other.get(link, headers=at).status_code == 401
    assert len(told) == 1
    assert third.get(f"/?key={told[0]}", headers=at).status_code == 302


def test_every_answer_says_what_a_browser_may_do(client):
    for path in ("/ask/", "/nothing", "/static/desk.css", "/ask/?ink=nonsense"):
        reply = client.get(path, headers={"Origin": "http://evil.example"})
        assert {name: reply.headers[name] for name in HEADERS} == HEADERS
        assert "Access-Control-Allow-Origin" not in reply.headers
    policy = HEADERS["Content-Security-Policy"]
    assert "script-src 'self';" in policy and "default-src 'none'" in policy


def test_what_is_too_large_is_refused(writing):
    big = {"CONTENT_LENGTH": str(MOST_BYTES + 1)}
    reply = writing.post("/write", data={FORM: form_key(writing)}, environ_overrides=big)
    assert reply.status_code in (403, 413)


@pytest.mark.parametrize("path", ["/static/../words.toml", "/static/..%2fapp.py", "/%2fetc/passwd"])
def test_no_path_leads_out(client, path):
    assert client.get(path).status_code in (308, 404)


def test_nothing_that_is_typed_is_looked_for_among_files(client, tmp_path, monkeypatch):
    chip = tmp_path / "chip.csv"
    chip.write_text("L,a,b\n45,60,30\n")
    opened = []
    whole, is_file = Path.read_bytes, Path.is_file
    monkeypatch.setattr(Path, "read_bytes", lambda self: opened.append(self) or whole(self))
    monkeypatch.setattr(Path, "is_file", lambda self: opened.append(self) or is_file(self))
    for text in (str(chip), "../../../../etc/passwd", "chip.csv"):
        query = {"ink": "turquoise", "garment": "black", "target": text}
        reply = client.get("/ask/", query_string=query)
        assert reply.status_code == 400
        assert "is no target" in text_of(reply.text)
    assert chip not in opened and Path("chip.csv") not in opened
