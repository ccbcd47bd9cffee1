"""Commands killed before every system call that changes something: is anything lost or stuck?

``python -m tests.benchmarks.kills [--every N] [--only NAME ...]``. Each call of each command of
``tests/kills.py`` is one kill, from the same beginning; ``--every`` takes each N-th of them. *Lost
or mixed*: data, models or files are neither old nor new; *stuck*: the same command, given again,
does not come to its end.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.benchmarks.results import Report
from tests.kills import OFTEN, SELDOM, Case, Scene


def killed(case: Case, every: int) -> dict[str, int]:
    """Counts of one command."""
    with tempfile.TemporaryDirectory() as folder:
        scene = Scene(case, Path(folder) / "work")
        calls = len(scene.photographs()) - 1
        counts = {"calls": calls, "kills": 0, "lost or mixed": 0, "stuck": 0}
        for at in range(0, calls, every):
            counts["kills"] += scene.kill(at)
            for what, holds in (
                ("lost or mixed", lambda: scene.is_old_or_new(scene.look(), case.name)),
                ("stuck", lambda: scene.goes_on(case.name)),
            ):
                try:
                    holds()
                except AssertionError as error:
                    print(f"{case.name}, call {at}: {error}", file=sys.stderr)
                    counts[what] += 1
    return counts


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("kills", __doc__)
    report.parser.add_argument("--every", type=int, default=1, metavar="N")
    report.parser.add_argument("--only", nargs="+", metavar="NAME")
    given = report.parse(argv)
    rows = {}
    for case in (*OFTEN, *SELDOM):
        if given.only is None or case.name in given.only:
            rows[case.name] = killed(case, given.every)
            print(case.name, rows[case.name], file=sys.stderr, flush=True)
    counts = ("calls", "kills", "lost or mixed", "stuck")
    rows["all"] = {name: sum(row[name] for row in rows.values()) for name in counts}
    report.table("Kills", rows)
    report.record()
    return int(rows["all"]["lost or mixed"] + rows["all"]["stuck"] > 0)


if __name__ == "__main__":
    sys.exit(main())
