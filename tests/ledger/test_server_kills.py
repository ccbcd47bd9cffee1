"""A shop on a server: the program killed, or the server gone, before anything is sent."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipelines.ledger import database
from pipelines.registry.archive import archive_of
from pipelines.workspace.folders import Workspace
from tests.kills import (
    KNOWN,
    LEARN,
    SETS_ASIDE,
    SHOP,
    Case,
    Photo,
    Scene,
    Seen,
    any_print,
    beside,
    data,
    models,
    photograph,
)
from tests.quick_shop import began
from tests.servers import down, fresh_database
from tests.tracing import Call, traced
from tests.tracing import Seen as AtCall

# KILLS=20 in the environment is the long version.
TIMES = int(os.environ.get("KILLS", "1"))  # a command is killed, and the server gone
TAKE_OVER = Case("take over", ("models",))  # what this computer had learnt by itself
CASES = (
    Case("import", ("import", "{in}/more", "--shop", SHOP)),
    Case("record", KNOWN),
    Case("set aside", SETS_ASIDE),
    Case("learn", LEARN, [("record", "{in}/in/mesh")]),
    Case("use a model", ("models", "--use", "1"), [(*LEARN, "--refit")]),
    TAKE_OVER,
)


class OnServer(Scene):
    """A case whose shop lies in a database on a server."""

    def __init__(self, case: Case, root: Path, server: str, url: str) -> None:
        self.server, self.url, self.said = server, url, root.parent / "said"
        self.name = url.split("?")[0].rsplit("/", 1)[-1]
        super().__init__(case, root)

    def begin(self) -> None:
        shutil.copytree(began() / "models", self.root / "models")
        tables = ("import", "{in}/tables", "--shop", SHOP, "--database", self.url)
        code, said = self.run(*tables)
        assert code == 0, said
        if self.case is not TAKE_OVER:
            code, said = self.run("models")
            assert code == 0, said

    def keep(self) -> None:
        super().keep()
        self.does(f"CREATE DATABASE {self.name}_kept TEMPLATE {self.name}")

    def reset(self) -> None:
        super().reset()
        self.does(f"DROP DATABASE {self.name} WITH (FORCE)")
        self.does(f"CREATE DATABASE {self.name} TEMPLATE {self.name}_kept")

    def does(self, *sentences: str) -> None:
        """Have the server do something."""
        import psycopg

        with psycopg.connect(self.server, autocommit=True) as connection:
            for sentence in sentences:
                connection.execute(sentence)

    def look(self, photo: Photo | None = None) -> Seen:
        with database.reading(self.url) as connection:
            form = database.form(connection) or ""
        kept = archive_of(Workspace(self.root), SHOP)
        return Seen(data(self.url), models(kept), {"form": form.encode()})

    def play(self, seen: AtCall) -> int:
        """The exit code of the command, from the beginning; what it says is in `said`."""

        def work() -> int:
            code, said = self.run(*self.case.command)
            self.said.write_text(said)
            return code

        self.reset()
        return traced(work, seen, self.root, sockets=True)

    def leaves(self) -> None:
        """The server closes all connections."""
        self.does(
            f"ALTER DATABASE {self.name} ALLOW_CONNECTIONS false",
            f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{self.name}'",
        )

    def comes_back(self) -> None:
        self.does(f"ALTER DATABASE {self.name} ALLOW_CONNECTIONS true")


@contextmanager
def on_server(case: Case, root: Path, server: str, url: str) -> Iterator[OnServer]:
    scene = OnServer(case, root, server, url)
    try:
        yield scene
    finally:
        scene.does(f"DROP DATABASE {scene.name}_kept")


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_all_is_old_or_new_and_the_same_command_comes_to_its_end(case: Case, tmp_path, server):
    beside(), any_print()
    calls: list[Call] = []
    with fresh_database(server) as url, on_server(case, tmp_path / "work", server, url) as scene:
        assert scene.play(lambda n, call: bool(calls.append(call))) == 0
        scene.new = scene.look()
        sent = [n for n, call in enumerate(calls) if call.what == "socket"]
        for i in range(TIMES):
            at = sent[(2 * i + 1) * len(sent) // (2 * TIMES)]
            where = f"{case.name}, killed before {at} of {len(calls)}"
            assert scene.play(lambda n, _, at=at: n == at) == -9
            scene.is_old_or_new(scene.look(), where)
            scene.goes_on(where)

            at = sent[(i + 1) * len(sent) // TIMES - 1]
            where = f"{case.name}, the server gone before {at} of {len(calls)}"
            code = scene.play(lambda n, _, at=at: bool(n == at and scene.leaves()))
            scene.comes_back()
            seen, said = scene.look(), scene.said.read_text()
            scene.is_old_or_new(seen, where)
            done = seen == scene.new
            wrong = [line for line in said.splitlines() if line.startswith("strikeoff: ")]
            if case is TAKE_OVER and code:  # it reads what it has taken over
                done = False
            assert (code, len(wrong)) == ((0, 0) if done else (2, 1)), (where, said)
            assert all("was lost" in line or "does not answer" in line for line in wrong), said
            scene.goes_on(where)


EXPORT = Case("export", ("export", "out"))


@pytest.mark.parametrize("case", [*CASES[1:], EXPORT], ids=lambda case: case.name)
def test_a_server_that_dies_is_told_and_nothing_is_half_done(case: Case, tmp_path, server):
    beside(), any_print()
    calls: list[Call] = []
    with fresh_database(server) as url, on_server(case, tmp_path / "work", server, url) as scene:
        assert scene.play(lambda n, call: bool(calls.append(call))) == 0
        scene.new = scene.look()
        whole = photograph(scene.root)
        sent = [n for n, call in enumerate(calls) if call.what == "socket"]
        for i in range(TIMES):
            at = sent[(2 * i + 1) * len(sent) // (2 * TIMES)]
            where = f"{case.name}, the server dead before {at} of {len(calls)}"
            with down(server) as stop:
                code = scene.play(lambda n, _, at=at, stop=stop: bool(n == at and stop()))
                left = photograph(scene.root)
            said = scene.said.read_text()
            seen = scene.look()
            scene.is_old_or_new(seen, where)
            done = code == 0
            assert done <= (seen == scene.new), (where, said)
            wrong = [line for line in said.splitlines() if line.startswith("strikeoff: ")]
            assert (code, len(wrong)) == ((0, 0) if done else (2, 1)), (where, said)
            assert all("was lost" in line or "does not answer" in line for line in wrong), said
            made = {path for path in left if path.split("/")[0] == "out"}
            assert made in (set(), {path for path in whole if path.split("/")[0] == "out"}), where
            scene.goes_on(where)
