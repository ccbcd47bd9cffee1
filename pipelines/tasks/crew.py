"""Tasks of many shops shared out: here over processes, or over a cluster, both through joblib.

A task is data; what is done with it is a function of ours, which travels as its name. A worker
stores nothing, so that one that is killed, or a task done twice, changes nothing.
"""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from itertools import chain, islice
from typing import TYPE_CHECKING, Any, Generic, Protocol, TypeVar

from threadpoolctl import threadpool_limits

from learn.errors import Unusable
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from distributed import Client

R = TypeVar("R")
Key = tuple[str, int | None]  # a shop, and which part of the work where it is several

ANSWER_S = 15.0  # seconds that a scheduler may take to answer
ADDRESS = re.compile(r"(?:[a-z]+://)?(?:[^\s:/@]+|\[[0-9a-fA-F:]+\]):[0-9]{1,5}")
LOOK_S = 0.5  # how often it is looked at
TROUBLE = (  # of one shop, which stops no other
    *(UserError, Unusable, MemoryError, OSError),
    *(ArithmeticError, LookupError, ValueError, TypeError, AttributeError),
)


class Task(Protocol):
    """What a worker is sent."""

    @property
    def key(self) -> Key:
        """Tells it from all others."""


@dataclass(frozen=True)
class Done(Generic[R]):
    """What came of a task: its answer, or why there is none."""

    key: Key
    answer: R | None
    trouble: str = ""


Work = Callable[[Any], R]


def carried_out(
    work: Work[R],
    tasks: Iterable[Task],
    *,
    workers: int = 1,
    cluster: str | None = None,
    least: int = 2,
) -> Iterator[Done[R]]:
    """Every task done, in the order they come to their end; ``tasks`` are asked for as they are
    needed, some more than there are workers.

    ``workers``: processes here, 1 for this one; or ``cluster``: the address of a Dask scheduler,
    which has so many workers at ``least``. Where it has one alone, the work is done here.

    Raises UserError where the scheduler does not answer, is lost on the way, or its workers are not
    as they should be. What has been given by then holds.
    """
    if cluster is not None:
        with _client(cluster, least) as client:
            yield from _until_done(work, tasks, _Cluster(client, cluster))
    elif workers > 1:
        yield from _until_done(work, tasks, _Processes(workers))
    else:
        here = code()
        for task in tasks:
            yield _one(work, task, here)


@cache
def code() -> dict[str, str]:
    """What an answer rests on: versions of the packages, and the text of our own."""
    import hashlib
    import platform
    from importlib.metadata import version
    from pathlib import Path

    import learn
    import pipelines

    digest = hashlib.sha256()
    for package in (learn, pipelines):
        root = Path(str(package.__file__)).parent
        for file in sorted(root.rglob("*.py")):
            digest.update(f"\n[{file.relative_to(root)}]\n".encode() + file.read_bytes())
    packages = ("numpy", "scipy", "pandas", "scikit-learn", "colour-science", "joblib")
    return {
        "strikeoff": digest.hexdigest()[:12],
        "Python": ".".join(platform.python_version_tuple()[:2]),
        **{name: version(name) for name in packages},
    }


def _one(work: Work[R], task: Task, sender: dict[str, str]) -> Done[R]:
    """One task, in a worker or here."""
    if other := differences(code(), sender):
        return Done(task.key, None, f"a worker came to it that has {other}")
    try:
        with threadpool_limits(1):
            return Done(task.key, work(task))
    except (UserError, Unusable) as error:
        return Done(task.key, None, str(error).rstrip("."))
    except TROUBLE as error:
        return Done(task.key, None, f"it could not be done ({type(error).__name__}: {error})")


def differences(worker: dict[str, str], sender: dict[str, str]) -> str:
    """``numpy 1.26.4, here 2.1.0``: what a worker has otherwise."""
    return "; ".join(
        f"{name} {worker.get(name, 'missing')}, here {there}"
        for name, there in sender.items()
        if worker.get(name) != there
    )


class _Engine(Protocol):
    """Where tasks are done at once."""

    @property
    def size(self) -> int:
        """How many workers there are."""

    def each(self, calls: Iterable[Any]) -> Iterator[Done[Any]]:
        """The answers as they come; raises Broken where workers were lost with their tasks."""


class Broken(Exception):
    """Workers were ended from outside."""


def _until_done(work: Work[R], tasks: Iterable[Task], engine: _Engine) -> Iterator[Done[R]]:
    """All of them, whatever workers are killed: what was lost is done again.

    Where a round brings nothing but a loss, the next tasks are done one at a time, so that it is
    known which of them ends its worker.
    """
    from joblib import delayed

    here, rest = code(), iter(tasks)
    sent: dict[Key, Task] = {}

    def calls(some: Iterable[Task]) -> Iterator[Any]:
        for task in some:
            sent[task.key] = task
            yield delayed(_one)(work, task, here)

    while True:
        came = 0
        again = list(sent.values())
        try:
            for done in engine.each(calls(chain(again, rest))):
                if sent.pop(done.key, None) is not None:
                    came += 1
                    yield done
            return
        except Broken:
            if came:
                continue
        for task in list(islice(sent.values(), engine.size)):
            try:
                yield from engine.each(calls([task]))
            except Broken:
                yield Done(task.key, None, "its worker was ended twice: is there enough memory?")
            sent.pop(task.key)


@dataclass(frozen=True)
class _Processes:
    """Workers on this computer (loky), each with one BLAS thread."""

    size: int

    def each(self, calls: Iterable[Any]) -> Iterator[Done[Any]]:
        from concurrent.futures import BrokenExecutor

        from joblib import Parallel, parallel_config
        from joblib.externals.loky import get_reusable_executor

        from learn.workers import ctrl_c_blocked

        with parallel_config(
            backend="loky", n_jobs=self.size, inner_max_num_threads=1, max_nbytes=None
        ):
            try:
                with ctrl_c_blocked():
                    answers = Parallel(return_as="generator_unordered", batch_size=1)(calls)
                yield from answers
            except BrokenExecutor as error:
                raise Broken from error
            finally:
                get_reusable_executor().shutdown(wait=False, kill_workers=True)


@dataclass(frozen=True)
class _Cluster:
    """The workers of a Dask scheduler, each a process with one thread."""

    client: Client
    address: str

    @property
    def size(self) -> int:
        return max(1, len(self.client.nthreads()))

    def each(self, calls: Iterable[Any]) -> Iterator[Done[Any]]:
        from asyncio import CancelledError as Stopped
        from concurrent.futures import CancelledError

        from distributed.scheduler import KilledWorker
        from joblib import Parallel, parallel_config

        with parallel_config(backend="dask", client=self.client):
            parallel = Parallel(return_as="generator_unordered", batch_size=1)
            with self._watched(parallel):
                try:
                    yield from parallel(calls)
                except (OSError, RuntimeError, CancelledError, Stopped, KilledWorker) as error:
                    if self._is_gone():
                        raise _lost(self.address) from error
                    raise Broken from error

    def _is_gone(self) -> bool:
        return self.client.status != "running"

    @contextmanager
    def _watched(self, parallel: Any) -> Iterator[None]:
        """The wait for answers ends where none can come any more: joblib asks nobody about that,
        but for how long it may wait."""
        over = threading.Event()

        def look() -> None:
            while not over.wait(LOOK_S):
                lost = [f for f in list(self.client.futures.values()) if f.status == "error"]
                if lost or self._is_gone():
                    parallel.timeout = LOOK_S
                    return

        watcher = threading.Thread(target=look, daemon=True)
        watcher.start()
        try:
            yield
        finally:
            over.set()
            watcher.join()


@contextmanager
def _client(address: str, least: int) -> Iterator[Client]:
    """A connection to a scheduler whose workers are as this computer is."""
    try:
        from distributed import Client
    except ImportError as error:
        raise UserError(
            "--cluster needs the packages dask and distributed; install them with "
            "pip install 'strikeoff[cluster]'."
        ) from error
    if not ADDRESS.fullmatch(address):  # dask would leave a client behind that cannot be closed
        raise UserError(
            f"{address} (--cluster) is no address of a scheduler, which reads tcp://host:8786."
        )
    for name in list(logging.root.manager.loggerDict):  # what is wrong is told by us, in a sentence
        if name.partition(".")[0] in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        client = Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise UserError(
            f"No Dask scheduler answers at {address} (--cluster); check the address, which reads "
            "tcp://host:8786, and that dask scheduler runs there."
        ) from error
    try:
        _refuse_workers(client, address, least)
        yield client
    finally:
        with suppress(OSError, RuntimeError):
            client.close(timeout=2)


def _refuse_workers(client: Client, address: str, least: int) -> None:
    try:
        threads = client.nthreads()
        found = client.run(code, on_error="return")
    except (OSError, RuntimeError) as error:
        raise _lost(address) from error
    if len(threads) < least:
        raise UserError(
            f"The scheduler at {address} has {len(threads) or 'no'} worker, and sharing out takes "
            "two; start more with dask worker, or use --workers."
        )
    sender = code()
    for worker, told in found.items():
        if not isinstance(told, dict):
            raise UserError(
                f"Worker {worker} cannot do the work ({told}); install strikeoff there as here."
            )
        if other := differences(told, sender):
            raise UserError(f"Worker {worker} has {other}; install there what is here.")
    for worker, n in threads.items():
        if n != 1:
            raise UserError(
                f"Worker {worker} does {n} tasks at once in one process, which would change last "
                "digits; start it with dask worker --nthreads 1 --nworkers N."
            )


def _lost(address: str) -> UserError:
    return UserError(
        f"The scheduler at {address} was lost on the way; what came back is stored, nothing is "
        "half-done; give the command again to go on."
    )
