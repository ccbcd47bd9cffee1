"""Files are written beside and then renamed, so that nobody ever meets half a file."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Collection, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from pipelines.workspace.problems import InputProblems, Kind, Problem, UserError


def read_at_most(path: Path, most: int, smaller: str = "split it into several files") -> bytes:
    """All of a file.

    Raises InputProblems where it is no plain file (a pipe or a device never ends), cannot be
    read, or holds more than ``most`` bytes, of which no more are read; ``smaller`` says what to do
    about that.
    """
    what, do, kind = f"is larger than {most // 1_000_000} MB", smaller, Kind.OUT_OF_RANGE
    try:
        if path.is_file():
            with path.open("rb") as stream:
                data = stream.read(most + 1)
            if len(data) <= most:
                return data
        else:
            what, do, kind = "is no file", "give a file", Kind.UNREADABLE
            if path.is_dir():
                what = "is a folder"
            elif not path.exists():
                what, kind = "there is no such file", Kind.MISSING
    except OSError as error:
        what, do, kind = f"cannot be read ({error.strerror})", "check the file", Kind.UNREADABLE
    raise InputProblems([Problem(path.name, None, None, what, do, kind)])


def refuse_unwritable(folder: Path) -> None:
    """Raises UserError if no file could be written into ``folder``, existing or yet to be made."""
    there = folder.absolute()
    while not there.exists():
        there = there.parent
    if not there.is_dir():
        raise UserError(f"{folder}: {there} is a file, where a folder is needed; move it away.")
    if not os.access(there, os.W_OK | os.X_OK):
        raise UserError(f"{folder.absolute()}: you may not write here; use another folder.")


def refuse_outputs(*outputs: Path | None, inputs: Collection[Path] = ()) -> None:
    """Refuse before the work is done what could not be written after it; None is no output.

    Raises UserError for a folder, a folder that is not there, one file named twice, or an input.
    """
    taken = {path.resolve(): "read from" for path in inputs}
    for path in filter(None, outputs):
        if use := taken.get(path.resolve()):
            raise UserError(f"{path}: this file is {use} already; write to another one.")
        if path.is_dir():
            raise UserError(f"{path}: is a folder; name a file to write.")
        if not path.parent.is_dir():
            raise UserError(f"{path}: there is no folder {path.parent}; make it first.")
        refuse_unwritable(path.parent)
        taken[path.resolve()] = "written to"


@contextmanager
def beside(path: Path, *, replace: bool = True) -> Iterator[Path]:
    """Yield a fresh path next to ``path``; on success it takes its place, else it is removed.

    With ``replace=False`` raises FileExistsError when something is there by then.
    """
    refuse_unwritable(path.parent)
    path.parent.mkdir(parents=True, exist_ok=True)
    sweep(path.parent, f".{path.name}.*")
    folder = Path(tempfile.mkdtemp(prefix=f".{path.name}.", dir=path.parent))
    try:
        yield folder / path.name
        if replace:
            os.replace(folder / path.name, path)
        else:
            _take_free_place(folder / path.name, path)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _take_free_place(fresh: Path, path: Path) -> None:
    try:
        os.link(fresh, path)  # unlike a rename, refuses to replace what is there
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if path.exists():
            raise FileExistsError(path) from None
        fresh.rename(path)


def sweep(folder: Path, pattern: str) -> None:
    """Remove what killed programs left half-made; what is younger than a day may be in use."""
    for left in folder.glob(pattern):
        with suppress(OSError):
            if left.is_dir() and left.stat().st_mtime < time.time() - 86400:
                shutil.rmtree(left, ignore_errors=True)


@contextmanager
def as_before_unless_done(path: Path) -> Iterator[None]:
    """If the work inside fails or is interrupted, ``path`` is again what it was, or not there."""
    before = path.read_bytes() if path.is_file() else None
    try:
        yield
    except BaseException:
        if before is not None:
            with beside(path) as fresh:
                fresh.write_bytes(before)
        else:
            path.unlink(missing_ok=True)
            for folder in path.parents[:2]:  # the shop's and that of all shops, where empty
                with suppress(OSError):
                    folder.rmdir()
        raise


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text exactly as given (no translation of line ends)."""
    with beside(path) as fresh:
        fresh.write_bytes(text.encode("utf-8"))


def write_texts(texts: Mapping[Path, str]) -> None:
    """Write files that belong together: all beside before any is renamed, the first one last."""
    with ExitStack() as stack:
        fresh = [stack.enter_context(beside(path)) for path in texts]
        for path, text in zip(fresh, texts.values(), strict=True):
            path.write_bytes(text.encode("utf-8"))
