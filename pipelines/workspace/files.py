"""Files are written beside and then renamed, so that nobody ever meets half a file."""

from __future__ import annotations

import ctypes
import os
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path

from pipelines.workspace.placing import finish, place
from pipelines.workspace.problems import InputProblems, Kind, Problem, UserError

DEVICES = (Path("/dev"), Path("/proc"))  # what is written there beside a device is lost


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
        if is_stream(path):
            continue
        folder = path.resolve().parent  # of what a link leads to
        if not folder.is_dir():
            raise UserError(f"{path}: there is no folder {path.parent}; make it first.")
        if folder in DEVICES:
            raise UserError(f"{path}: {folder} holds devices, not files; use another folder.")
        refuse_unwritable(folder)
        taken[path.resolve()] = "written to"


def refuse_replacing(files: Iterable[Path], ours: Callable[[Path], bool], do: str) -> None:
    """Raises UserError, saying what to ``do``, where a file whose name we made up would take the
    place of one that is not ``ours``, of an earlier run."""
    for path in files:
        if path.exists() and not (path.is_file() and ours(path)):
            raise UserError(f"{path}: another file has this name already; {do}.")


def files_named(*texts: str | None) -> list[Path]:
    """The files that are named by what may also be something else, a colour or a name."""
    found = []
    for text in filter(None, texts):
        with suppress(OSError):  # too long for a name
            if Path(text).is_file():
                found.append(Path(text))
    return found


def is_stream(path: Path) -> bool:
    """Whether this is written into and never replaced: a device, a pipe, our own output."""
    try:
        status = path.stat()
    except OSError:
        return False
    mode = status.st_mode
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)) or _descriptor(status) is not None


def _descriptor(status: os.stat_result) -> int | None:
    """The standard output or error that is this very file."""
    for descriptor in (1, 2):
        with suppress(OSError):
            if os.path.samestat(os.fstat(descriptor), status):
                return descriptor
    return None


@contextmanager
def beside(path: Path, *, replace: bool = True) -> Iterator[Path]:
    """Yield a fresh path next to ``path``; on success it takes its place, else it is removed.

    What a link leads to is replaced, not the link; a device or a pipe is written into. Inside
    `together` it takes its place when all is written. With ``replace=False`` raises
    FileExistsError when something is there by then.
    """
    if is_stream(path):
        with _named(path), tempfile.TemporaryDirectory() as made, _set_of_files() as files:
            yield Path(made) / path.name
            files.poured[path] = (Path(made) / path.name).read_bytes()
        return
    path = path.resolve()
    refuse_unwritable(path.parent)
    path.parent.mkdir(parents=True, exist_ok=True)
    finish(path.parent)
    sweep(path.parent, f".{path.name}.*")
    with _named(path), _set_of_files() as files:
        folder = Path(tempfile.mkdtemp(prefix=f".{path.name}.", dir=path.parent))
        files.made.callback(shutil.rmtree, folder, ignore_errors=True)
        yield folder / path.name
        if replace:
            files.placed[path] = folder / path.name
        else:
            _take_free_place(folder / path.name, path)


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """An error of the disk names the file that was to be written, not the one beside it."""
    try:
        yield
    except FileExistsError:
        raise
    except OSError as error:
        if error.errno is None or (error.filename and Path(error.filename).name != path.name):
            raise
        raise OSError(error.errno, error.strerror, str(path)) from error


@dataclass
class _Files:
    """What is to be put in place; ``placed``: path -> the fresh file, None to remove it."""

    made: ExitStack
    placed: dict[Path, Path | None] = field(default_factory=dict)
    poured: dict[Path, bytes] = field(default_factory=dict)

    def put(self) -> None:
        for path, data in self.poured.items():
            _pour(data, path)
        if len(self.placed) > 1:
            place(self.placed)
            return
        for path, fresh in self.placed.items():
            if fresh is None:
                path.unlink(missing_ok=True)
            else:
                os.replace(fresh, path)


_TOGETHER: ContextVar[_Files | None] = ContextVar("together", default=None)


@contextmanager
def _set_of_files() -> Iterator[_Files]:
    files = _TOGETHER.get()
    if files is not None:
        yield files
        return
    with ExitStack() as made:
        files = _Files(made)
        yield files
        files.put()


@contextmanager
def together() -> Iterator[None]:
    """The files written inside are put in place in the end, at one go, or none of them is."""
    with _set_of_files() as files:
        token = _TOGETHER.set(files)
        try:
            yield
        finally:
            _TOGETHER.reset(token)


def remove(path: Path) -> None:
    """Take a file away; inside `together` when all is written."""
    with _set_of_files() as files:
        files.placed[path.resolve()] = None


def _pour(data: bytes, path: Path) -> None:
    sys.stdout.flush()
    own = _descriptor(path.stat())
    with path.open("wb") if own is None else os.fdopen(os.dup(own), "wb") as stream:
        stream.write(data)


@contextmanager
def folder_beside(folder: Path) -> Iterator[Path]:
    """Yield a fresh folder; on success its files stand in ``folder``: all old or all new.

    Other files there stay. Where the system cannot exchange two folders in one step, or there are
    folders inside, the files are put in place as those of `together` are.
    """
    folder = folder.resolve()
    refuse_unwritable(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    place = folder.parent if os.access(folder.parent, os.W_OK | os.X_OK) else folder
    sweep(place, f".{folder.name}.*")
    made = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=place))
    fresh = made / folder.name
    try:
        fresh.mkdir()
        yield fresh
        written = list(fresh.iterdir())
        if not folder.exists():
            fresh.rename(folder)
            return
        others = [p for p in folder.iterdir() if p != made and not (fresh / p.name).exists()]
        if place != folder and folder != Path.cwd() and all(p.is_file() for p in others):
            for other in others:
                shutil.copy2(other, fresh / other.name, follow_symlinks=False)
            shutil.copymode(folder, fresh)
            if _exchanged(fresh, folder):
                return
        with together():
            for file in written:
                with beside(folder / file.name) as copy:
                    shutil.copy(file, copy)
    except OSError as error:
        if error.errno is None or made not in Path(error.filename or "").parents:
            raise
        name = str(folder / Path(error.filename).name)
        raise OSError(error.errno, error.strerror, name) from error
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _exchanged(one: Path, other: Path) -> bool:
    """Let two folders change places in one step, where the system can (Linux: renameat2)."""
    try:
        rename = ctypes.CDLL(None).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    here, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE
    return rename(here, os.fsencode(one), here, os.fsencode(other), exchange) == 0


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


def write_text(path: Path, text: str, *, secret: bool = False) -> None:
    """Write UTF-8 text exactly as given (no translation of line ends); ``secret``: mode 600."""
    with beside(path) as fresh:
        if secret:
            fresh.touch(mode=0o600)
        fresh.write_bytes(text.encode("utf-8"))


def write_texts(texts: Mapping[Path, str]) -> None:
    """Write files that belong together."""
    with together():
        for path, text in texts.items():
            write_text(path, text)
