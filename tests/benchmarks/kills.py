"""Commands killed before every system call that changes something: is anything lost or stuck?

``python -m tests.benchmarks.kills [--every N] [--only NAME ...] [--workers N]``. Each call of each
command of ``tests/kills.py`` is one kill, from the same beginning; ``--every`` takes each N-th.
What lies in the workspace before a call is what a kill there leaves: it is photographed, the same
picture looked at once, and each `INDEED`-th call is killed indeed and must leave its picture. *With
a rival*: the same command is given once more while the first is stopped there, which then is
killed: the second waits, stands down or comes first. *Lost or mixed*: data, models or files are
neither old nor new; *stuck*: the same command, given again, does not come to its end.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from tests.benchmarks.results import Report
from tests.kills import OFTEN, RIVALS, SELDOM, Case, Scene, restore

CASES = {case.name: case for case in (*OFTEN, *SELDOM)}
WITH_RIVAL = {f"{case.name}, with a rival": case for case in RIVALS}
COUNTS = ("calls", "kills", "lost or mixed", "stuck")
INDEED = 15


def counted(name: str, every: int) -> dict[str, int]:
    """Counts of one command, with or without a rival."""
    with tempfile.TemporaryDirectory() as folder:
        case = CASES.get(name) or WITH_RIVAL[name]
        scene = Scene(case, Path(folder) / "work")
        counts = (_killed if name in CASES else _overtaken)(scene, case, every)
    return {one: counts[one] for one in COUNTS}


def _killed(scene: Scene, case: Case, every: int) -> Counter[str]:
    taken = scene.photographs()[:-1]
    counts = Counter({"calls": len(taken)})
    looked_at = []
    for at, (where, photo) in list(enumerate(taken))[::every]:
        counts["kills"] += 1
        if at // every % INDEED == 0:
            scene.kill(at)
            seen = scene.look()
            _holds(counts, "lost or mixed", lambda s=seen, w=where: scene.is_old_or_new(s, w))
            restore(scene.root, photo)
            _holds(counts, "lost or mixed", lambda s=seen: _alike(s, scene.look()))
        if photo in looked_at:
            continue
        looked_at.append(photo)
        seen = scene.look(photo)
        _holds(counts, "lost or mixed", lambda s=seen, w=where: scene.is_old_or_new(s, w))
        restore(scene.root, photo)
        _holds(counts, "stuck", lambda w=where: scene.goes_on(w))
    return counts


def _alike(one: object, other: object) -> None:
    assert one == other, "a kill leaves something else than what was photographed"


def _overtaken(scene: Scene, case: Case, every: int) -> Counter[str]:
    taken = scene.photographs()[:-1]
    counts = Counter({"calls": len(taken)})
    for at, (where, _) in list(enumerate(taken))[::every]:
        code = scene.overtaken(at)
        counts["kills"] += code is not None
        seen = scene.look()
        _holds(counts, "lost or mixed", lambda s=seen, w=where: scene.is_old_or_new(s, w))
        if code != 0:  # it stood down
            print(f"{where}: the rival answers {code}", file=sys.stderr)
        _holds(counts, "stuck", lambda w=where: scene.goes_on(w))
    return counts


def _holds(counts: Counter[str], what: str, claim: Callable[[], object]) -> None:
    try:
        claim()
    except AssertionError as error:
        print(f"{what}: {error}", file=sys.stderr, flush=True)
        counts[what] += 1


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("kills", __doc__)
    report.parser.add_argument("--every", type=int, default=1, metavar="N")
    report.parser.add_argument("--only", nargs="+", metavar="NAME", choices=[*CASES, *WITH_RIVAL])
    report.parser.add_argument("--workers", type=int, default=os.cpu_count(), metavar="N")
    given = report.parse(argv)
    names = given.only or [*CASES, *WITH_RIVAL]
    # Workers that are started, not forked: what is forked from another's threads cannot learn.
    with ProcessPoolExecutor(given.workers, get_context("spawn")) as pool:
        rows = {}
        for name, row in zip(
            names, pool.map(counted, names, [given.every] * len(names)), strict=True
        ):
            rows[name] = row
            print(name, row, file=sys.stderr, flush=True)
    rows["all"] = {name: sum(row[name] for row in rows.values()) for name in COUNTS}
    report.table("Kills", rows)
    report.record()
    return int(rows["all"]["lost or mixed"] + rows["all"]["stuck"] > 0)


if __name__ == "__main__":
    sys.exit(main())
