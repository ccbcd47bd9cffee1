"""Commands that write, stopped or killed before every system call that changes something.

A photograph is all that lies in the workspace before such a call: what a kill there leaves. In each
of them everything must be old or new; and the same command, given again, must come to its end.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import sqlite3
import time
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple
from unittest import mock

from pipelines.ledger import store
from pipelines.ledger.state import current
from pipelines.registry import report_card, versions
from pipelines.registry.archive import Archive, archive_of
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from tests.children import forked
from tests.quick_shop import began, run
from tests.tracing import Call, traced

SHOP = "s"
Photo = dict[str, bytes | None]  # path -> what is in it; None for a folder
Models = tuple[list[str], str | None, list[object]]  # versions, the one in charge, report card


@dataclass(frozen=True)
class Case:
    """A command in the workspace of `began`, and those before it; ``{in}`` is what lies beside.

    ``fresh``: in an empty workspace. ``between``: what may hold besides the old and the new data.
    ``here``: its outputs lie where the next command is run, which then puts them in place.
    ``anew``: given again it does its work once more, as it was asked to.
    """

    name: str
    command: Sequence[str]
    before: Sequence[Sequence[str]] = ()
    fresh: bool = False
    between: Sequence[object] = ()
    here: bool = True
    anew: bool = False


ONE = ("predict", "deep red", "black tee", "--target", "35,50,25")
KNOWN = ("record", "{in}/in/known")
ODD = ("record", "{in}/in/odd")
INK = ("record", "{in}/in/ink")
LEARN = ("learn", "--workers", "1")
IMPORT = ("import", "{in}/tables", "--shop", SHOP)
SETS_ASIDE = ("doubts", "set-aside", "{print}", "--reason", "smeared")
FILE = ("predict", "{in}/jobs.csv", "--out")
PLAN = ("plan", "--target", "35,50,25", "--garment", "G01")
ALL = ("out.csv", "--page", "page.html", "--sheets", "sheets.html")
TO_FOLDERS = ("a/out.csv", "--page", "b/page.html")
OFTEN = (  # each writes in a way of its own
    Case("import first", IMPORT, fresh=True),
    Case("import over damage", IMPORT, [("damage",)], between=[None]),
    Case("record", KNOWN),
    Case("set aside", SETS_ASIDE),
    Case("target", ("targets", "harbour blue", "--colour", "32,-4,-30", "--tolerance", "1.5")),
    Case("learn first", LEARN, [IMPORT], fresh=True),
    Case("learn", LEARN, [("record", "{in}/in/mesh")]),
    Case("use a model", ("models", "--use", "1"), [(*LEARN, "--refit")]),
    Case("predict over", (*FILE, *ALL), [("predict", "{in}/one.csv", "--out", *ALL)]),
    Case(
        "predict into folders",
        (*FILE, *TO_FOLDERS),
        [("folders",), ("predict", "{in}/one.csv", "--out", *TO_FOLDERS)],
        here=False,
    ),
    Case("export over", ("export", "out", "--force"), [("export", "out"), INK]),
    Case("export here", ("export", ".", "--force"), [("export", ".", "--force"), INK]),
    Case("start", ("start", "empty", "--csv"), here=False),
)
SELDOM = (
    Case("learn anew", (*LEARN, "--refit"), [("record", "{in}/in/mesh")], anew=True),
    Case("record in place", ("record", "{in}/in/garment", "--replace", "2"), [KNOWN]),
    Case("take back", ("history", "--take-back", "2"), [KNOWN]),
    Case("predict", (*FILE, *ALL)),
    Case("demo", ("demo",), fresh=True, here=False),
    Case("import again", ("import", "{in}/more", "--shop", SHOP)),
    Case("record a folder", INK),
    Case("record a whole book", ("record", "{in}/whole.xlsx")),
    Case("restore", ("doubts", "restore", "{print}"), [SETS_ASIDE]),
    Case("keep", ("doubts", "keep", "X1"), [ODD]),
    Case("correct", ("doubts", "correct", "{print}", "--lab", "45,50,20")),
    Case("put back", ("history", "--put-back", "2"), [KNOWN, ("history", "--take-back", "2")]),
    Case("target gone", ("targets", "--remove", "x"), [("targets", "x", "--colour", "32,-4,-30")]),
    Case("a figure", (*ONE, "--out", "one.xlsx", "--figure", "one.png")),
    Case("export", ("export", "out")),
    Case("export a book", ("export", "b.xlsx", "--force"), [("export", "b.xlsx"), KNOWN]),
    Case("first prints", ("start", ".", "--first-prints", "--force", "--ink", "deep red")),
    Case("plan", (*PLAN, "--out", "p.csv", "--sheet", "p.html"), [(*FILE, "p.csv")]),
    Case("new ink", ("new-ink", "--ink", "C10", "--most", "1", "--out", "prints.csv")),
    Case("why", ("why", "deep red", "black tee", "--page", "w.html", "--figure", "w.svg")),
    Case("compare", ("compare", "deep red,bright white", "G01", "--page", "c.html")),
    Case("picture", ("picture", "deep red", "black tee", "--page", "look.html")),
    Case("doubts", ("doubts", "--page", "d.html"), [ODD]),
    Case("list", ("list", "inks", "--out", "inks.csv")),
    Case("check", ("check", "--quick", "--page", "k.html", "--workers", "1", "--figure", "k.svg")),
)
# Two at once: the second waits, stands down or comes first, and the first is killed.
RIVALS = tuple(
    case
    for case in (*OFTEN, *SELDOM)
    if case.name in ("import first", "record", "target", "learn first", "learn", "predict over",
                     "export over")
)  # fmt: skip
AHEAD_S = 1.5  # a rival has this long before the first is killed


class Seen(NamedTuple):
    """What a workspace holds: the shop's data, its models, and the files for people."""

    data: object
    models: Models
    outputs: dict[str, bytes]


class Scene:
    """A workspace in which one case is played, as often as wanted."""

    def __init__(self, case: Case, root: Path) -> None:
        self.root, self.case, self.shop = root, case, "demo" if case.name == "demo" else SHOP
        self.known: dict[tuple, Any] = {}
        beside(), any_print()  # here, not first in a child
        root.mkdir()
        self.begin()
        for command in case.before:
            if command == ("damage",):
                (root / "datasets" / SHOP / "shop.db").write_bytes(b"no database" * 100)
            elif command == ("folders",):
                for name in ("a", "b"):
                    (root / name).mkdir()
            else:
                code, said = self.run(*command)
                assert code == 0, said
        self.keep()
        self.old = self.look()

    def begin(self) -> None:
        """The shop, before anything else."""
        if not self.case.fresh:
            for part in ("datasets", "models"):
                shutil.copytree(began() / part, self.root / part)

    def keep(self) -> None:
        """Remember how it is now."""
        self.start = photograph(self.root)

    def reset(self) -> None:
        """As it was."""
        restore(self.root, self.start)

    def run(self, *command: str) -> tuple[int, str]:
        """Here, as the user who stands in the workspace."""
        words = [
            word.replace("{in}", str(beside())).replace("{print}", any_print()) for word in command
        ]
        of_demo = mock.patch("pipelines.commands.demo.demo_folder", return_value=beside() / "demo")
        with contextlib.chdir(self.root), of_demo:
            return run(self.root, *words)

    def photographs(self) -> list[tuple[str, Photo]]:
        """The workspace before each call of the command, and in the end."""
        taken: list[tuple[str, Photo]] = []

        def seen(n: int, call: Call) -> bool:
            taken.append((f"{self.case.name}: {n} {call.name} {call.what}", photograph(self.root)))
            return False

        code = traced(lambda: self.run(*self.case.command)[0], seen, self.root)
        assert code == 0
        taken.append((f"{self.case.name}: the end", photograph(self.root)))
        self.new = self.look(taken[-1][1])
        return taken

    def kill(self, at: int) -> bool:
        """Play it from the start, killed before a call; False where it has fewer."""
        self.reset()
        code = traced(lambda: self.run(*self.case.command)[0], lambda n, _: n == at, self.root)
        assert code in (0, -9)
        return code == -9

    def overtaken(self, at: int) -> int | None:
        """Play it from the start; stopped before a call, it has a rival who is given the same, and
        is killed. The rival's exit code; None where there are fewer calls."""
        rivals: list[int] = []

        def seen(n: int, _: Call) -> bool:
            if n == at:
                rivals.append(forked(lambda: self.run(*self.case.command)[0], quiet=True))
                time.sleep(AHEAD_S)
            return n == at

        self.reset()
        traced(lambda: self.run(*self.case.command)[0], seen, self.root)
        codes = [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in rivals]
        return codes[0] if codes else None

    def look(self, photo: Photo | None = None) -> Seen:
        """What a photograph shows, which is put in the place of what is there."""
        if photo is None:
            photo = photograph(self.root)
        outputs = {
            path: without_time(path, held)
            for path, held in photo.items()
            if held is not None
            and "/." not in f"/{path}"
            and (path.split("/")[0] not in ("datasets", "models") or "/reports/" in path)
        }
        at = Workspace(self.root)
        held = self._part("datasets", photo, lambda: data(at.database(self.shop)))
        learnt = self._part("models", photo, lambda: models(archive_of(at, self.shop)))
        return Seen(held, learnt, outputs)

    def _part(self, part: str, photo: Photo, what: Callable[[], Any]) -> Any:
        """The same files hold the same: most calls change nothing there."""
        key = part, tuple(sorted((p, held) for p, held in photo.items() if p.startswith(part + "/")
                           and "/reports/" not in p and held is not None))  # fmt: skip
        if key not in self.known:
            restore(self.root, photo)
            self.known[key] = what()
        return self.known[key]

    def is_old_or_new(self, seen: Seen, where: str) -> None:
        """Nothing lost, doubled or mixed."""
        old, new = self.old, self.new
        assert seen.data in (old.data, new.data, *self.case.between), where
        for part, *both in zip(seen.models, old.models, new.models, strict=True):
            assert part in both, where
        assert seen.outputs.items() <= old.outputs.items() or (
            seen.outputs.items() <= new.outputs.items()
        ), (where, sorted(seen.outputs))

    def goes_on(self, where: str) -> None:
        """The next command here puts in place what lacks; the same one comes to its end."""
        if self.case.here:
            self.run("models")
            outputs = self.look().outputs
            assert outputs in (self.old.outputs, self.new.outputs), (where, sorted(outputs))
        code, said = self.run(*self.case.command)
        assert code in (0, 2), (where, said)  # 2: that it is done already
        seen = self.look()
        assert seen.data == self.new.data, (where, said)
        if self.case.anew:
            assert _once_more(seen.models, self.new.models), (where, said)
        else:
            assert seen.models == self.new.models, (where, said)
        assert seen.outputs.keys() == self.new.outputs.keys(), (where, said)


def _once_more(models: Models, new: Models) -> bool:
    """Whether they are as after the command, or one version more, the better one in charge."""
    versions, charge, card = models
    more = len(versions) - len(new[0])
    return more in (0, 1) and charge in (new[1], versions[-1]) and card[: len(new[2])] == new[2]


def photograph(root: Path) -> Photo:
    """All that lies in a folder."""
    taken: Photo = {}
    for path in sorted(root.rglob("*")):
        with contextlib.suppress(FileNotFoundError):
            taken[str(path.relative_to(root))] = path.read_bytes() if path.is_file() else None
    return taken


def restore(root: Path, photo: Photo) -> None:
    """A folder as it was."""
    shutil.rmtree(root)
    root.mkdir()
    for path, held in photo.items():
        if held is None:
            (root / path).mkdir()
        else:
            (root / path).write_bytes(held)


def without_time(path: str, held: bytes) -> bytes:
    """A file as it is whenever it is written: a workbook says when that was."""
    if not path.endswith(".xlsx"):
        return held
    with zipfile.ZipFile(io.BytesIO(held)) as book:
        parts = [name for name in book.namelist() if name != "docProps/core.xml"]
        return b"".join(book.read(name) for name in sorted(parts))


def data(source: Path | str) -> object:
    """Batches, decisions, prints and targets of a shop: its database must be whole."""
    if isinstance(source, Path) and not source.is_file():
        return None
    try:
        ledger = store.read_ledger(source)
    except UserError as error:
        return str(error)
    if isinstance(source, Path):
        with contextlib.closing(sqlite3.connect(source)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    given = current(ledger).given
    prints = given.tables["prints"]["print_id"].tolist()
    assert len(set(prints)) == len(prints)
    return (
        [(batch.command, batch.sha256) for batch in ledger.batches],
        [(one.what, one.print_id, one.batch, one.new) for one in ledger.decisions],
        prints,
        None if given.targets is None else given.targets.to_numpy().tolist(),
    )


def models(kept: Archive) -> Models:
    """Versions, all of which can be read, the one in charge, and the report card."""
    stored, charge = kept.names(), versions.in_charge(kept)
    for one in stored:
        versions.load(kept, one)
    card = report_card.read(kept)
    told = [(one.version, one.in_charge, one.marks, one.aside) for one in card]
    assert charge is None or charge in stored
    return stored, charge, told


@cache
def beside() -> Path:
    """What the commands are given, each time the same."""
    given = began()
    jobs = (given / "jobs.csv").read_text().splitlines(keepends=True)
    (given / "one.csv").write_text("".join(jobs[:2]))
    shutil.copytree(given / "tables", given / "demo" / "tables")
    shutil.copy(given / "jobs.csv", given / "demo" / "next_week.csv")
    other = given / "other"
    for part in ("datasets", "models"):
        shutil.copytree(given / part, other / part)
    for command in (["record", f"{given}/in/known"], ["export", f"{given}/whole.xlsx"]):
        code, said = run(other, *command)
        assert code == 0, said
    return given


@cache
def any_print() -> str:
    """One of the shop's."""
    return store.read(began() / "datasets" / SHOP / "shop.db").tables["prints"]["print_id"].iloc[0]
