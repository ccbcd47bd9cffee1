"""A Dask scheduler and its workers on this computer, each a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@dataclass
class Cluster:
    """``address`` of the scheduler; its process and those of the workers."""

    address: str
    scheduler: subprocess.Popen
    workers: list[subprocess.Popen] = field(default_factory=list)

    def start_worker(
        self, folder: Path, *options: str, packages: Path | None = None
    ) -> subprocess.Popen:
        """``packages``: a folder whose packages it finds before all others."""
        worker = _started(
            "worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard",
            "--local-directory", str(folder), "--death-timeout", "60", *options, first=packages,
        )  # fmt: skip
        self.workers.append(worker)
        return worker

    def joined_by(self, folder: Path, *options: str, packages: Path | None = None) -> None:
        """One more worker, of which the scheduler knows; as :meth:`start_worker`."""
        from distributed import Client

        worker = self.start_worker(folder, *options, packages=packages)
        with Client(self.address, timeout=60, set_as_default=False) as client:
            until = time.monotonic() + 120
            while worker.pid not in client.run(os.getpid, on_error="ignore").values():
                assert time.monotonic() < until, "the worker did not start"
                time.sleep(0.2)


def _started(*command: str, first: Path | None = None) -> subprocess.Popen:
    path = os.pathsep.join(str(one) for one in (first, ROOT) if one)
    inside = {"PYTHONPATH": path, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_" + command[0], *command[1:]],
        cwd=ROOT,
        env=os.environ | inside,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def _address_in(file: Path, scheduler: subprocess.Popen) -> str:
    """What a scheduler says of itself, once it listens at the port it was given."""
    until = time.monotonic() + 120
    while True:
        with suppress(OSError, ValueError):  # not there, or half-written
            return json.loads(file.read_text(encoding="utf-8"))["address"]
        assert scheduler.poll() is None, "the scheduler has ended"
        assert time.monotonic() < until, "the scheduler did not start"
        time.sleep(0.1)


@contextmanager
def running_cluster(folder: Path, workers: int = 2) -> Iterator[Cluster]:
    """A scheduler on loopback with so many workers; all ended in the end.

    Skips where Dask is not installed: pip install '.[cluster]'.
    """
    pytest.importorskip("distributed", reason="Dask is not installed: pip install '.[cluster]'")
    from distributed import Client

    folder.mkdir(parents=True, exist_ok=True)
    told = folder / "scheduler.json"
    told.unlink(missing_ok=True)
    # a port of its own choice: one found free before may be another's by then
    scheduler = _started(
        "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
        "--scheduler-file", str(told),
    )  # fmt: skip
    cluster = Cluster("", scheduler)
    try:
        cluster.address = _address_in(told, scheduler)
        for _ in range(workers):
            cluster.start_worker(folder)
        with Client(cluster.address, timeout=60, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=120)
        yield cluster
    finally:
        for process in [*cluster.workers, scheduler]:
            process.kill()
            process.wait()
