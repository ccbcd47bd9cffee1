"""A group with a shop on a server: the same as in files, and the server stopped half-way."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from learn.predict import telling
from pipelines.registry.archive import archive_of
from pipelines.tasks import groups
from pipelines.workspace.folders import Workspace
from tests.group_of_shops import check_quickly, copy_of, learn_quickly, versions_in
from tests.quick_shop import began, run
from tests.servers import down, fresh_database

LEARN = ("learn", "--group", "--workers", "1")


@pytest.fixture
def root(
    server: str, serial: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Path]:
    """A shop in files, learnt, and one on a server, not learnt; they tell each other of inks."""
    monkeypatch.setattr(groups, "learn_plant", learn_quickly)
    monkeypatch.setattr(groups, "check_part", check_quickly)
    monkeypatch.setattr(telling, "FEWEST", 2)
    root = copy_of(serial, tmp_path / "group", ("north",))
    (tmp_path / "other").mkdir()
    with fresh_database(server) as url:
        elsewhere = ("import", str(began() / "tables"), "--shop", "east", "--database", url)
        code, said = run(tmp_path / "other", *elsewhere)
        assert code == 0, said
        (root / "group.toml").write_text(
            f'[[shop]]\nname = "east"\nshares = true\ndatabase = "{url}"\n'
            '[[shop]]\nname = "north"\nshares = true\n'
        )
        yield root


def on_server(root: Path) -> list[str]:
    """Versions in the database, as the computer knows them that imported the shop."""
    return archive_of(Workspace(root.parent / "other"), "east").names()


def test_a_shop_on_a_server_is_learnt_looked_at_and_checked_as_one_in_files(root):
    for command in (LEARN, ("status", "--group"), ("check", "--group", "--quick")):
        code, said = run(root, *command, *(["--workers", "1"] * ("--workers" not in command)))
        assert code == 0, said
        assert "2 of 2 plants" in said
    assert sorted(versions_in(root)) == ["north/0001", "north/0002"]
    assert on_server(root) == ["0001", "0002"]
    code, said = run(root, *LEARN)
    assert code == 0 and said.count("Nothing new") >= 2
    assert on_server(root) == ["0001", "0002"]


def test_a_server_that_stops_half_way_is_told_in_the_end_and_stops_no_other(
    root, server, monkeypatch
):
    def learn_and_stop(asked):
        learnt = learn_quickly(asked)
        if asked.sent.name == "east":
            stop()
        return learnt

    with down(server) as stop, monkeypatch.context() as patch:
        patch.setattr(groups, "learn_plant", learn_and_stop)
        code, said = run(root, *LEARN)
        assert code == 1, said
        (last,) = [line for line in said.splitlines() if line.startswith("Not done")]
        assert said.endswith(f"{last}\n") and last.startswith("Not done: east: ")
        assert "Traceback" not in said
        assert sorted(versions_in(root)) == ["north/0001"]
        code, said = run(root, "status", "--group", "--workers", "1")
        assert code == 1 and "1 of 2 plants" in said
    assert on_server(root) == []
    code, said = run(root, *LEARN)
    assert code == 0, said
    assert on_server(root) == ["0001", "0002"]


def test_a_server_that_stops_before_plants_tell_each_other_keeps_what_was_learnt(
    root, server, monkeypatch
):
    tell = groups._tell_each_other

    def stop_and_tell(*arguments):
        stop()
        tell(*arguments)

    with down(server) as stop, monkeypatch.context() as patch:
        patch.setattr(groups, "_tell_each_other", stop_and_tell)
        code, said = run(root, *LEARN)
        assert code == 1 and "2 of 2 plants" in said
        last = said.splitlines()[-1]
        assert last.startswith("Not done: east: it has learnt, but not what the other plants know")
        assert sorted(versions_in(root)) == ["north/0001", "north/0002"]
    assert on_server(root) == ["0001"]
    code, said = run(root, *LEARN)
    assert code == 0 and on_server(root) == ["0001", "0002"], said
