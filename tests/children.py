"""Work in processes of their own, forked: to be killed, limited, or done several at once."""

from __future__ import annotations

import os
from collections.abc import Callable

Work = Callable[[], object]


def forked(work: Work, *, quiet: bool = False) -> int:
    """The pid of a child that does ``work`` and exits with its answer; with 1 if it crashes."""
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            if quiet:
                null = os.open(os.devnull, os.O_WRONLY)
                os.dup2(null, 1)
                os.dup2(null, 2)
            answer = work()
            code = answer if isinstance(answer, int) else 0
        finally:
            os._exit(code)
    return pid


def exit_codes(*works: Work) -> list[int]:
    """Of children that do all ``works`` at once; below 0 the signal that ended one."""
    children = [forked(work) for work in works]
    return [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in children]
