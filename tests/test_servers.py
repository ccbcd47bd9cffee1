"""The server of a test run: one that is installed and does not start is no reason to skip."""

from __future__ import annotations

import pytest

from tests import servers


def test_a_server_that_does_not_start_fails_the_run(monkeypatch):
    pytest.importorskip("psycopg")
    monkeypatch.delenv(servers.VARIABLE, raising=False)
    monkeypatch.setattr(servers, "_program", lambda _: "false")
    monkeypatch.setattr(servers.os, "getuid", lambda: 1000)
    with pytest.raises(BaseException, match="did not start") as raised, servers.running_server():
        pass
    assert isinstance(raised.value, pytest.fail.Exception)  # a skip would pass unseen
    monkeypatch.setattr(servers, "_program", lambda _: None)
    with pytest.raises(pytest.skip.Exception, match="apt-get install"), servers.running_server():
        pass
