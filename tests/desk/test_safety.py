"""Other pages, other hosts, other devices and other people's files stay out."""

from __future__ import annotations

import socket
from io import BytesIO
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from pipelines.desk.app import make_app
from pipelines.desk.opened import Desk
from pipelines.desk.safety import FORM, HEADERS, MOST_BYTES, MOST_FIELDS, MOST_FORM_BYTES
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
    elsewhere = {"PATH_INFO": "//evil.example/"}
    reply = third.get(f"/?key={told[0]}", headers=at, environ_overrides=elsewhere)
    assert (reply.status_code, reply.location) == (302, "/evil.example/")


def test_every_answer_says_what_a_browser_may_do(client):
    for path in ("/ask/", "/nothing", "/static/desk.css", "/ask/?ink=nonsense"):
        reply = client.get(path, headers={"Origin": "http://evil.example"})
        assert {name: reply.headers[name] for name in HEADERS} == HEADERS
        assert "Access-Control-Allow-Origin" not in reply.headers
    policy = HEADERS["Content-Security-Policy"]
    assert "script-src 'self';" in policy and "default-src 'none'" in policy


def test_what_is_too_large_is_refused(writing):
    key = {FORM: form_key(writing)}
    assert writing.post("/write", data=key).status_code == 200
    big = {"CONTENT_LENGTH": str(MOST_BYTES + 1)}
    assert writing.post("/write", data=key, environ_overrides=big).status_code == 413
    parts = "multipart/form-data"
    typed = key | {"text": "y" * (MOST_FORM_BYTES + 1)}
    many = key | {f"field {i}": "1" for i in range(MOST_FIELDS + 1)}
    for sent in (typed, many):
        assert writing.post("/write", data=sent, content_type=parts).status_code == 413
    assert writing.post("/write", data=typed).status_code == 413


def test_no_view_writes_for_a_form_of_another_page(own):
    """Whatever places there are: each that takes a form asks for the key."""
    before = all_files(own.root)
    rules = [r for r in own.application.url_map.iter_rules() if "POST" in (r.methods or ())]
    assert len(rules) > 8
    for rule in rules:
        path = rule.build(dict.fromkeys(rule.arguments, 1), append_unknown=False)[1]
        for sent in ({}, {"data": {FORM: "guessed"}}, {"json": {FORM: "key"}},
                     {"data": f"{FORM}=key", "content_type": "text/plain"}):  # fmt: skip
            assert own.post(path, **sent).status_code == 403, path
        foreign = {"Origin": "http://evil.example"}
        assert own.post(path, data={FORM: "key"}, headers=foreign).status_code == 403, path
        reply = own.get(path, query_string={FORM: "key"})
        assert reply.status_code in (200, 400, 404, 405), path
    assert all_files(own.root) == before


def all_files(root: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in root.rglob("*") if path.is_file()}


@pytest.mark.parametrize(
    "name",
    ["../../shop.db.csv", "C:\\shop\\..\\x.csv", "/etc/x.csv", "a\0b.csv", ".csv", "=1+1.csv",
     "x" * 5000 + ".csv", "%2e%2e%2fx.csv", "a\nb.csv", "x.csv/", "shop.db", "x.csv.exe",
     "\u202etxt.csv"],
)  # fmt: skip
def test_the_name_of_an_upload_leads_nowhere(own, name, tmp_path):
    before = all_files(tmp_path)
    reply = own.send("/find/chip", file=(BytesIO(b"sample,L,a,b\nchip,45,60,30\n"), name))
    assert reply.status_code in (303, 400)
    assert all_files(tmp_path) == before


def raw(address: str, request: str) -> bytes:
    """What the server answers to a request that no browser would send."""
    host, port = urlsplit(address).hostname, urlsplit(address).port
    with socket.create_connection((host, port), timeout=60) as connection:
        text = request.replace("HERE", f"{host}:{port}") + "Connection: close\r\n\r\n"
        connection.sendall(text.encode())
        answer = b""
        while part := connection.recv(10_000):
            answer += part
    return answer


@pytest.mark.parametrize(
    "hosts",
    ["Host: HERE\r\nHost: evil.example\r\n", "Host: evil.example\r\nHost: HERE\r\n", "",
     "Host: HERE@evil.example\r\n", "Host: evil.example#HERE\r\n", "Host: [::1\r\n",
     "Host: evil.example\r\nX-Forwarded-Host: HERE\r\n"],
)  # fmt: skip
def test_no_odd_way_of_naming_a_host_gets_in(address, hosts):
    answer = raw(address, f"GET /ask/ HTTP/1.1\r\n{hosts}")
    assert b" 421 " in answer.split(b"\r\n")[0]
    assert b"Turquoise" not in answer


def test_an_answer_gets_no_line_from_a_request(address):
    for path in ("/ask/%0d%0aSet-Cookie:evil=1", "/ask/?ink=%0d%0aSet-Cookie:evil=1"):
        head = raw(address, f"GET {path} HTTP/1.1\r\nHost: HERE\r\n").split(b"\r\n\r\n")[0]
        assert b"evil" not in head


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
