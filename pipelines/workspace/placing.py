"""Files that belong together, put in place such that a kill leaves the old ones or the new ones.

Beside them a folder ``.together-...`` holds in ``new`` what is not yet in its place and in ``old``
what was taken out of it; ``go`` in it says that all the old are out. Whoever finds such a folder
that nobody holds puts the old ones back or, with ``go``, the new ones in place. Until then some are
missing, but none lies beside one of another run. Of files in several folders each has such
a folder, of one name, with a list of them all, and the first one's ``go`` counts.

Nothing is moved but from such a folder to the one it lies in, under the name it has there.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from contextlib import AbstractContextManager, ExitStack, suppress
from pathlib import Path

from pipelines.workspace.problems import UserError

START, DONE = ".together-", ".put-together-"
MOST_BYTES = 100_000
NEW, OLD, GO, LOCK, ALL = "new", "old", "go", "lock", "folders"


def place(files: Mapping[Path, Path | None]) -> None:
    """Let fresh files, each beside its place, take these places; None empties one.

    Where one cannot be placed, all the old ones are back when the error is raised.
    """
    folders = list(dict.fromkeys(path.parent for path in files))
    parts: list[Path] = []
    with ExitStack() as held:
        try:
            with ExitStack() as undo:
                parts += _prepared(files, folders)
                with suppress(UserError):  # a file system that locks nothing
                    held.enter_context(_if_free(parts[0]))
                name = START + parts[0].name.rsplit(".", 1)[-1]
                for i, folder in enumerate(folders):  # from now on they are found, the held first
                    parts[i] = parts[i].rename(folder / name)
                own = dict(zip(folders, parts, strict=True))
                for path in filter(os.path.lexists, files):
                    _rename(path, own[path.parent] / OLD / path.name, undo)
                (parts[0] / GO).touch()
                undo.callback((parts[0] / GO).unlink)
                for path, fresh in files.items():
                    if fresh is not None:
                        _rename(own[path.parent] / NEW / path.name, path, undo)
                undo.pop_all()
        except BaseException:
            if not any(file for part in parts for file in (part / OLD).glob("*")):
                _remove(parts)  # all are back
            raise
        _remove(parts)


def _prepared(files: Mapping[Path, Path | None], folders: list[Path]) -> list[Path]:
    """The folders beside, not to be found as such yet, with all that is new in them."""
    parts = []
    with ExitStack() as undo:
        for folder in folders:
            parts.append(Path(tempfile.mkdtemp(prefix=f".{next(iter(files)).name}.", dir=folder)))
            undo.callback(shutil.rmtree, parts[-1], ignore_errors=True)
            for name in (NEW, OLD):
                (parts[-1] / name).mkdir()
            (parts[-1] / ALL).write_text("\n".join(map(str, folders)), encoding="utf-8")
        for path, fresh in files.items():
            if fresh is not None:
                os.rename(fresh, parts[folders.index(path.parent)] / NEW / path.name)
        undo.pop_all()
    return parts


def _rename(source: Path, target: Path, undo: ExitStack) -> None:
    os.replace(source, target)
    undo.callback(os.replace, target, source)


def _if_free(part: Path) -> AbstractContextManager[bool]:
    from pipelines.workspace.alone import if_free  # a database, which most commands do without

    return if_free(part / LOCK)


def finish(folder: Path) -> None:
    """Bring to its end what a killed program left half-placed in ``folder``, as far as one may."""
    with suppress(OSError, UserError, ValueError):  # ValueError: what is no text of ours
        for done in folder.glob(DONE + "*"):
            shutil.rmtree(done, ignore_errors=True)
        for found in folder.glob(START + "*"):
            if not _is_ours(found):
                continue
            parts = _parts(found)
            with _if_free(parts[0]) as free:
                if not free:  # its program is at work
                    continue
                _put_back(parts, NEW if (parts[0] / GO).exists() else OLD)
                _remove(parts)


def _parts(found: Path) -> list[Path]:
    """All that belong to one, the one whose ``go`` counts first."""
    with (found / ALL).open("rb") as stream:
        listed = stream.read(MOST_BYTES).decode().splitlines()
    there = list(filter(_is_ours, (Path(folder) / found.name for folder in listed)))
    return there if found.resolve() in (part.resolve() for part in there) else [found]


def _is_ours(part: Path) -> bool:
    """Whether it is as we make it: a link in it would lead to files from elsewhere."""
    inside = [part, *(part / name for name in (NEW, OLD, GO, LOCK, ALL))]
    folders = all((part / name).is_dir() for name in (NEW, OLD))
    return folders and (part / ALL).is_file() and not any(map(Path.is_symlink, inside))


def _put_back(parts: list[Path], which: str) -> None:
    """Let files take their places, but not one that somebody has written into since."""
    for part in parts:
        for file in sorted((part / which).iterdir()):
            if not os.path.lexists(part.parent / file.name):
                os.replace(file, part.parent / file.name)


def _remove(parts: list[Path]) -> None:
    for part in reversed(parts):  # the one that counts last, and none is found half-removed
        with suppress(OSError):
            part = part.rename(part.with_name(part.name.replace(START, DONE)))
        shutil.rmtree(part, ignore_errors=True)
