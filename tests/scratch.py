"""Where a test run keeps its files: in memory, if there is enough of it.

Every write of the program reaches the disk before it goes on. Tests need that it asks for this, not
that a disk obeys: on one that takes ten milliseconds a time, the run would wait for minutes.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from pathlib import Path

MEMORY = Path("/dev/shm")
ENOUGH = 8 * 2**30  # bytes; a run keeps about a gigabyte of files


def keep_in_memory() -> None:
    """For this process and its children; with TMPDIR set, files go there and stay where a test
    failed."""
    if "TMPDIR" in os.environ or not os.access(MEMORY, os.W_OK | os.X_OK):
        return
    told = dict(line.split(":") for line in Path("/proc/meminfo").read_text().splitlines())
    available = 1024 * int(told["MemAvailable"].split()[0])
    if min(available, shutil.disk_usage(MEMORY).free) < ENOUGH:
        return
    for left in MEMORY.glob("strikeoff-*-*"):  # of a run that was killed
        if not Path("/proc", left.name.split("-")[1]).exists():
            shutil.rmtree(left, ignore_errors=True)
    folder = tempfile.mkdtemp(prefix=f"strikeoff-{os.getpid()}-", dir=MEMORY)
    os.chmod(folder, 0o711)  # the user who runs the server has a folder in it
    os.environ["TMPDIR"] = tempfile.tempdir = folder
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
