"""Learning from the page: the command, as a program of its own, so that the page stays usable."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock

from pipelines.workspace.folders import Workspace
from pipelines.workspace.terminal import without_secrets

_PROGRESS = re.compile(r"\[ *\d+ s\] ")
TOLD = "told.txt"
GENTLY = 10  # how far it stands back (`nice`): whoever asks at the press is answered first
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
MOST_LINES = 40  # of what it told at the end


@dataclass
class Learning:
    """`strikeoff learn` of one shop, run once at a time; it goes on if the page is closed.

    Two at the same time do no harm either: the second waits for the first, as from a terminal.
    """

    workspace: Workspace
    _lock: Lock = field(default_factory=Lock)
    _run: subprocess.Popen[bytes] | None = None
    _folder: tempfile.TemporaryDirectory | None = None  # of what it tells; gone with the page

    def begin(self, shop: str, *options: str) -> None:
        """Start it, with more ``options`` of the command, unless it runs."""
        with self._lock:
            if self._run is not None and self._run.poll() is None:
                return
            self._folder = tempfile.TemporaryDirectory(prefix="strikeoff-learn-")
            root = str(self.workspace.root)
            command = [sys.executable, "-m", "pipelines.cli", "learn"]
            with (Path(self._folder.name) / TOLD).open("wb") as told:
                self._run = subprocess.Popen(
                    [*command, "--workspace", root, "--shop", shop, *options],
                    stdin=subprocess.DEVNULL,
                    stdout=told,
                    stderr=subprocess.STDOUT,
                    start_new_session=True,  # Ctrl-C closes the page, not the work
                    env={**os.environ, **dict.fromkeys(ONE_THREAD, "1")},
                    creationflags=getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0),
                )
                if hasattr(os, "setpriority"):
                    with suppress(OSError):  # what it starts itself stands back with it
                        os.setpriority(os.PRIO_PROCESS, self._run.pid, GENTLY)

    @property
    def running(self) -> bool:
        """Whether it is at work."""
        with self._lock:
            return self._run is not None and self._run.poll() is None

    @property
    def code(self) -> int | None:
        """How the last one ended; None where there was none, or it is at work."""
        with self._lock:
            return None if self._run is None else self._run.poll()

    @property
    def lines(self) -> list[str]:
        """What it has told: while it works how far it is, in the end what came of it."""
        with self._lock:
            if self._folder is None or self._run is None:
                return []
            ended = self._run.poll() is not None
            text = (Path(self._folder.name) / TOLD).read_text("utf-8", errors="replace")
        lines = without_secrets(text).splitlines()
        progress = [line for line in lines if _PROGRESS.match(line)]
        if not ended:
            return progress[-1:]
        return [line for line in lines if not _PROGRESS.match(line)][:MOST_LINES]
