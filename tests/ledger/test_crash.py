"""Killed at any instant, out of disk space: everything is as before or as after, never between."""

from __future__ import annotations

import gc
import os
import resource
import shutil
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from pipelines.cli import main
from pipelines.ledger import store
from pipelines.ledger.state import current
from pipelines.registry import versions
from pipelines.registry.in_folder import InFolder
from tests.children import exit_codes, forked
from tests.tiny_shop import TINY, write_shop

INSTANTS = 16  # at which a program is killed, spread over the time it takes


def in_child(work: Callable[[], object], *, kill_after_s: float | None = None) -> tuple[int, float]:
    """Run in a process of its own, killed with SIGKILL if so wanted: its status and duration."""
    start = time.monotonic()
    pid = forked(work, quiet=True)
    if kill_after_s is not None:
        time.sleep(kill_after_s)
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    return status, time.monotonic() - start


def killed_throughout(
    make: Callable[[], None], work: Callable[[], object], look: Callable[[], object]
) -> set[object]:
    """What ``look`` sees after ``work`` was killed at many instants, each time from ``make``."""
    times = []
    for _ in range(3):  # the first is slow: what it reads is not in memory yet
        make()
        status, took = in_child(work)
        assert status == 0
        times.append(took)
    seen, killed, whole = {look()}, 0, min(times)
    for i in 3 * list(range(INSTANTS)):
        if killed == INSTANTS:
            break
        make()
        status, took = in_child(work, kill_after_s=whole * (i + 0.5) / INSTANTS)
        killed += os.WIFSIGNALED(status)
        if not os.WIFSIGNALED(status):  # done before its time: the machine has less to do now
            whole = min(whole, took)
        seen.add(look())
    assert killed > INSTANTS / 3  # else the program was faster than the clock
    return seen


@pytest.fixture
def shop(tmp_path, monkeypatch) -> Path:
    """A workspace with the tiny shop; the current folder. A batch lies beside it."""
    write_shop(tmp_path / "tables")
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    assert main(["import", "../tables", "--shop", "tiny"]) == 0
    header, row, *_ = TINY["prints.csv"].splitlines()
    batch = [header, *(row.replace("P1", f"R{n}") for n in range(40))]
    (tmp_path / "batch.csv").write_text("\n".join(batch) + "\n")
    return tmp_path / "work"


DATABASE = Path("datasets/tiny/shop.db")


def state(path: Path = DATABASE) -> tuple[int, ...]:
    """Batches and prints of a database that is whole; nothing half-made lies beside it."""
    ledger = store.read_ledger(path)
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    return len(ledger.batches), len(current(ledger).given.tables["prints"])


def test_record_killed_at_any_instant(shop):
    shutil.copy(DATABASE, "before.db")

    def make() -> None:
        shutil.rmtree(DATABASE.parent)
        DATABASE.parent.mkdir()
        shutil.copy("before.db", DATABASE)

    seen = killed_throughout(make, lambda: main(["record", "../batch.csv"]), state)
    assert seen == {(1, 3), (2, 43)}


@pytest.mark.parametrize("first", [True, False])
def test_import_killed_at_any_instant(shop, first):
    shutil.copy(DATABASE, "before.db")
    inks = TINY["inks.csv"].replace("Base white", "Another white")
    write_shop(shop.parent / "other", inks=inks)

    def make() -> None:
        shutil.rmtree(DATABASE.parent)
        DATABASE.parent.mkdir()
        if not first:
            shutil.copy("before.db", DATABASE)

    def look() -> object:
        return state() if DATABASE.exists() else "none"

    seen = killed_throughout(make, lambda: main(["import", "../other", "--shop", "tiny"]), look)
    assert seen == ({"none", (1, 3)} if first else {(1, 3), (2, 3)})


def test_saving_a_model_killed_at_any_instant(tmp_path):
    arrays = {"x": np.random.default_rng(1).normal(size=(300, 300))}

    def make() -> None:
        shutil.rmtree(tmp_path / "models", ignore_errors=True)
        versions.save(InFolder(tmp_path / "models"), arrays, {"n": 1}, {})

    def work() -> None:
        versions.save(InFolder(tmp_path / "models"), arrays, {"n": 2}, {})

    def look() -> tuple[object, ...]:
        stored = versions.load(InFolder(tmp_path / "models"))
        np.testing.assert_array_equal(stored.arrays["x"], arrays["x"])
        return stored.version, stored.meta["n"]

    assert killed_throughout(make, work, look) == {("0001", 1), ("0002", 2)}


def test_two_learning_at_once_make_two_versions(tmp_path):
    folder = tmp_path / "models"

    def save(n: int) -> int:
        versions.save(InFolder(folder), {"x": np.zeros(3)}, {"n": n}, {})
        return 0

    assert exit_codes(partial(save, 0), partial(save, 1)) == [0, 0]
    assert InFolder(folder).names() == ["0001", "0002"]
    assert sorted(versions.load(InFolder(folder), v).meta["n"] for v in ("0001", "0002")) == [0, 1]


def test_two_recording_at_once_both_land(shop):
    text = (shop.parent / "batch.csv").read_text()
    for n in range(2):
        (shop.parent / f"{n}.csv").write_text(text.replace("R", f"R{n}-"))
    both = [partial(main, ["record", f"../{n}.csv"]) for n in range(2)]
    assert exit_codes(*both) == [0, 0]
    assert state() == (3, 83)


# --- no room on the disk ------------------------------------------------------------------


def one_sentence(text: str) -> str:
    said = [line for line in text.splitlines() if not line.startswith("note: ")]
    assert len(said) == 1, text
    return said[0]


def test_a_limit_on_file_size_is_a_sentence(shop, capfd):
    """The kernel refuses a file to grow, as a quota does."""
    before = DATABASE.read_bytes()

    def work() -> int:
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(before), len(before)))
        return main(["record", "../batch.csv"])

    assert exit_codes(work) == [2]
    assert "make room on the disk; nothing was changed" in one_sentence(capfd.readouterr().err)
    assert state() == (1, 3)


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 300 kB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=300k", "none", str(folder)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("there is no mount command")
    if done.returncode:
        pytest.skip(f"may not mount a small file system: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        gc.collect()  # a file that an error still holds would keep the disk busy
        subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_is_a_sentence(shop, small_disk, capsys):
    shutil.copytree("datasets", small_disk / "datasets")
    at = ["--workspace", str(small_disk)]
    with (small_disk / "filler").open("wb", buffering=0) as filler, suppress(OSError):
        while True:
            filler.write(b"\0" * 4096)
    capsys.readouterr()
    assert main([*at, "record", "../batch.csv"]) == 2
    assert "make room on the disk" in one_sentence(capsys.readouterr().err)
    assert main([*at, "import", "../tables", "--shop", "new"]) == 2
    one_sentence(capsys.readouterr().err)
    (small_disk / "filler").unlink()
    assert state(small_disk / DATABASE) == (1, 3)
    assert main([*at, "record", "../batch.csv"]) == 0
