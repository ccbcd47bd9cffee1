"""Work shared out: the same answer to the last digit, however many workers there are.

Learning is many small steps, over which threads of one program wait for each other, so it is
shared out over processes: whole searches, whole groups of prints left out. A process takes a
second to start; it starts while the first stage of a fit runs alone. Threads are for large
arrays, where numpy lets go of the interpreter (what SciPy wraps of BLAS and LAPACK does not).
BLAS has one thread a worker.
"""

from __future__ import annotations

import importlib
import mmap
import pickle
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from functools import lru_cache
from multiprocessing import resource_tracker
from pathlib import Path
from tempfile import NamedTemporaryFile, TemporaryDirectory
from typing import Any, TypeVar

from threadpoolctl import threadpool_limits

T = TypeVar("T")
R = TypeVar("R")

MOST = 4  # workers by default: much of a fit goes step by step, and more gain little
IDLE_S = 300.0  # a worker without work for so long leaves, and is started anew if needed
LARGE = 2_000_000  # numbers from which on threads gain more than they cost: some 1,200 prints
ALIGNED = 64  # bytes: where arrays that are handed over may begin


@dataclass(frozen=True)
class _Crew:
    """The processes with whom work is shared, and where they find what they work on."""

    pool: Executor
    folder: Path
    threads: ThreadPoolExecutor  # as many, for what they leave to this process


_crew: list[_Crew | None] = [None]  # of the innermost `workers`; a worker itself works alone


@contextmanager
def workers(n_jobs: int | None) -> Iterator[None]:
    """Within it, :func:`at_work` shares work out over ``n_jobs`` processes.

    As scikit-learn counts: -1 for all processors, ``None`` for what holds already (one, unless
    the caller has said otherwise).
    """
    if n_jobs is None:
        yield
        return
    n = n_jobs
    if n < 1:
        from joblib import effective_n_jobs  # slow to import, and often not needed

        n = effective_n_jobs(n)
    with _started(n) if n > 1 else nullcontext() as crew:
        _crew.append(crew)
        try:
            yield
        finally:
            _crew.pop()


def at_work(function: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """``function`` of every item, in their order; for work of a tenth of a second and more.

    ``function`` and what it holds is handed over once, and must not be changed by it; longest
    items first. The processes import it by its name: no lambda, no function within a function.
    """
    items, crew = list(items), _crew[-1]
    if crew is None or len(items) < 2:
        return list(map(function, items))
    handed = _hand_over(function, crew.folder)
    try:
        futures = [crew.pool.submit(_take_up, handed, item) for item in items]
        return [future.result() for future in futures]
    except BrokenExecutor:  # a worker was ended from outside: there is still this process
        _crew[-1] = None
        return list(map(function, items))


def large_at_work(function: Callable[[T], R], items: Iterable[T], numbers: int) -> Iterable[R]:
    """``function`` of every item, in their order, on arrays of so many numbers in all: if that is
    many, by as many threads as there are workers, which idle meanwhile.

    ``function`` must not ask for threads itself: all may be waiting then.
    """
    crew = _crew[-1]
    if crew is None or numbers < LARGE:
        return map(function, items)
    return crew.threads.map(function, items)


def in_threads(function: Callable[[T], R], items: Iterable[T], n: int = 2) -> list[R]:
    """``function`` of every item, in their order, by ``n`` threads."""
    with ThreadPoolExecutor(n) as pool:
        return list(pool.map(function, items))


def usual_workers() -> int:
    """As many as there are processors, but no more than `MOST`."""
    from joblib import cpu_count

    return min(cpu_count(), MOST)


@contextmanager
def _started(n: int) -> Iterator[_Crew]:
    """``n`` processes on their way, importing what this one has imported of `learn`."""
    from joblib.externals.loky import ProcessPoolExecutor

    ours = __name__.partition(".")[0] + "."
    modules = [name for name in sys.modules if name.startswith(ours)]
    pool = ProcessPoolExecutor(n, timeout=IDLE_S, initializer=_ready, initargs=(modules,))
    with ctrl_c_blocked():
        pool.submit(int)
    with TemporaryDirectory(prefix="workers-", ignore_cleanup_errors=True) as folder:
        try:
            with ThreadPoolExecutor(n) as threads:
                yield _Crew(pool, Path(folder), threads)
        finally:
            pool.shutdown(kill_workers=True)


@contextmanager
def ctrl_c_blocked() -> Iterator[None]:
    """Processes started within never see Ctrl-C, which reaches all of a terminal: the one that
    shares out the work answers it, and ends the others."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows: they heed it until they are ready
        yield
        return
    resource_tracker.ensure_running()  # it would unblock the signal when it starts
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _ready(modules: list[str]) -> None:
    """What a process does before its first work."""
    from joblib.externals.loky import process_executor

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # else one that holds 300 MB of what it was handed is taken for a leak: ended, with a warning
    process_executor._MAX_MEMORY_LEAK_SIZE = sys.maxsize  # noqa: SLF001
    for name in modules:
        importlib.import_module(name)


def _hand_over(function: Callable[[T], R], folder: Path) -> Path:
    """A file of ``function``, with its arrays as they lie in memory, for all to map."""
    arrays: list[memoryview] = []
    code = pickle.dumps(function, protocol=5, buffer_callback=lambda b: arrays.append(b.raw()))
    with NamedTemporaryFile(dir=folder, delete=False) as file:
        for array in arrays:
            file.write(array)
            file.write(bytes(-len(array) % ALIGNED))
        tail = pickle.dumps((code, [len(array) for array in arrays]))
        file.write(tail)
        file.write(len(tail).to_bytes(8, "little"))
    return Path(file.name)


@lru_cache(maxsize=1)
def _opened(handed: Path) -> Callable[[Any], Any]:
    """The function of such a file; its arrays can be read only."""
    with handed.open("rb") as file:
        whole = memoryview(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ))
    size = int.from_bytes(whole[-8:], "little")
    code, lengths = pickle.loads(whole[-8 - size : -8])
    start, arrays = 0, []
    for length in lengths:
        arrays.append(whole[start : start + length])
        start += length + -length % ALIGNED
    return pickle.loads(code, buffers=arrays)


def _take_up(handed: Path, item: Any) -> Any:
    """One item, in a worker."""
    function = _opened(handed)
    with threadpool_limits(1, user_api="blas"):
        return function(item)
