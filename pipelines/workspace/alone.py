"""One program at a time: a lock that the system takes back when its holder is killed."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from pipelines.workspace.problems import UserError

AGAIN_S = 0.5


@contextmanager
def alone(lock: Path, on_wait: Callable[[], None]) -> Iterator[None]:
    """Hold ``lock``, an empty file that stays; ``on_wait`` is called once if another holds it.

    The lock is that of an SQLite transaction, which every system knows and none leaves behind.

    Raises UserError where the file cannot be locked.
    """
    lock.parent.mkdir(parents=True, exist_ok=True)
    told = False
    while True:
        with if_free(lock) as free:
            if free:
                yield
                return
        if not told:
            on_wait()
            told = True
        time.sleep(AGAIN_S)


@contextmanager
def if_free(lock: Path) -> Iterator[bool]:
    """Hold ``lock`` unless another does; whether it is held.

    Raises UserError where the file cannot be locked.
    """
    with closing(sqlite3.connect(lock, timeout=0, isolation_level=None)) as connection:
        try:
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.DatabaseError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                raise UserError(
                    f"{lock}: cannot be locked ({error}); remove the file and try again."
                ) from None
            yield False
            return
        yield True
