"""Work shared out over threads: the same answer to the last digit for any number of them.

numpy, scipy and BLAS let go of the interpreter while they reckon, so threads of one program do;
processes would load all libraries once more. BLAS has one thread a worker, and what is summed is
summed in one order, whoever reckoned it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")

MOST = 4  # workers by default: much of a fit goes step by step, and more gain little


class _Crew(threading.local):
    """With whom a thread shares its work; a worker itself works alone."""

    n = 1
    pool: ThreadPoolExecutor | None = None


_crew = _Crew()


@contextmanager
def workers(n_jobs: int | None) -> Iterator[None]:
    """Within it, :func:`each` and :func:`at_work` share work out over ``n_jobs`` threads.

    As scikit-learn counts: -1 for all processors, ``None`` for what holds already (one, unless
    the caller has said otherwise).
    """
    if n_jobs is None:
        yield
        return
    before, n = (_crew.n, _crew.pool), n_jobs
    if n < 1:
        from joblib import effective_n_jobs  # slow to import, and often not needed

        n = effective_n_jobs(n_jobs)
    try:
        with ThreadPoolExecutor(n) as pool:
            _crew.n, _crew.pool = n, pool if n > 1 else None
            yield
    finally:
        _crew.n, _crew.pool = before


def each(function: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """``function`` of every item, in their order; for work of milliseconds.

    joblib looks only every 10 ms whether a worker is done.
    """
    return list(map(function, items) if _crew.pool is None else _crew.pool.map(function, items))


def at_work(function: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """``function`` of every item, in their order; for work of a tenth of a second and more.

    A single item is done here, so that its own work can be shared out.
    """
    items = list(items)
    if _crew.n == 1 or len(items) == 1:
        return list(map(function, items))
    from joblib import Parallel, delayed

    return Parallel(n_jobs=_crew.n, backend="threading")(delayed(function)(item) for item in items)


def usual_workers() -> int:
    """As many as there are processors, but no more than `MOST`."""
    from joblib import cpu_count

    return min(cpu_count(), MOST)
