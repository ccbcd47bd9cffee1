"""Files that belong together: a kill leaves old or new ones, and the next run completes them."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipelines.workspace.alone import if_free
from pipelines.workspace.files import remove, together, write_text
from pipelines.workspace.placing import LOCK, START, finish
from tests.kills import Photo, photograph, restore
from tests.tracing import traced

OLD = {"a/one.csv": b"old", "a/gone.html": b"old", "b/two.html": b"old", "a/notes.txt": b"mine"}
NEW = {"a/one.csv": b"new", "a/more.csv": b"new", "b/two.html": b"new", "a/notes.txt": b"mine"}


@together()
def write(root: Path) -> None:
    for path in NEW:
        if path != "a/notes.txt":
            write_text(root / path, "new")
    remove(root / "a/gone.html")


def shown(photo: Photo) -> dict[str, bytes]:
    return {path: held for path, held in photo.items() if held is not None and "/." not in path}


def photographs(root: Path, work: Callable[[], object]) -> list[Photo]:
    """The folder before every call of ``work``, each once, and in the end."""
    taken: list[Photo] = []

    def seen(*_: object) -> bool:
        if not taken or photograph(root) != taken[-1]:
            taken.append(photograph(root))
        return False

    assert traced(work, seen, root) == 0
    return [*taken, photograph(root)]


@pytest.mark.parametrize("at", ["a", "b"])
def test_a_kill_mixes_nothing_and_what_is_next_completes_it(tmp_path, at):
    root = tmp_path / "root"
    root.mkdir()
    before: Photo = {"a": None, "b": None, **OLD}
    restore(root, before)
    states, ends = [], []
    for photo in photographs(root, lambda: write(root)):
        states.append(shown(photo))
        restore(root, photo)
        for half in photographs(root, lambda: finish(root / at)):  # killed once more
            states.append(shown(half))
            restore(root, half)
            finish(root / at)
            ends.append(shown(photograph(root)))
            assert not list((root / at).glob(f"{START}*"))
    assert all(s.items() <= OLD.items() or s.items() <= NEW.items() for s in states)
    assert all(end in (OLD, NEW) for end in ends) and OLD in ends and NEW in ends
    assert any(state not in (OLD, NEW) for state in states)  # else there was nothing to complete


def half_placed(root: Path) -> Path:
    """A folder as a kill between old and new leaves it."""
    part = root / f"{START}x"
    for folder, held in (("new", "new"), ("old", "old")):
        (part / folder).mkdir(parents=True)
        (part / folder / "one.csv").write_text(held)
    (part / "folders").write_text(str(root))
    return part


def test_what_somebody_wrote_since_stays(tmp_path):
    (half_placed(tmp_path) / "go").touch()
    (tmp_path / "one.csv").write_text("since")
    finish(tmp_path)
    assert photograph(tmp_path) == {"one.csv": b"since"}


def test_what_another_program_is_placing_is_left_to_it(tmp_path):
    part = half_placed(tmp_path)
    with if_free(part / LOCK):
        finish(tmp_path)
        assert not (tmp_path / "one.csv").exists() and part.exists()
    finish(tmp_path)
    assert photograph(tmp_path) == {"one.csv": b"old"}


def test_a_folder_from_elsewhere_moves_nothing_outside(tmp_path):
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    (there / "one.csv").write_text("theirs")
    part = half_placed(here)
    (part / "go").touch()
    (part / "folders").write_text(f"{there}\n{here}\n../there")
    finish(here)
    linked = half_placed(here)
    (linked / "go").touch()
    shutil.rmtree(linked / "new")
    (linked / "new").symlink_to(there)
    finish(here)
    shutil.rmtree(linked)
    (half_placed(here) / "folders").write_bytes(b"\xff\0")
    finish(here)
    assert photograph(tmp_path)["there/one.csv"] == b"theirs"
    assert photograph(there) == {"one.csv": b"theirs"}
