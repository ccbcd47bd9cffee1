"""Measurement files that are wrong in one thing each: how many are believed.

``python -m tests.benchmarks.wrong_files``. The files and what counts are those of
``tests/measured/wrong``: readings in a wrong scale, Lab that contradicts spectrum or XYZ,
another light, observer, filter or geometry declared in every way the format has, and files that
hold no prints. *Refused*: in a sentence; *right*: read, and the true colours came out; *told*:
read, and the odd thing is named; *believed*: read without a word. Right files that look alike must
all come out right.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests.benchmarks.results import Report
from tests.measured.wrong import WRITERS, outcome, right, wrong
from tests.measured.wrong.readings import Case

OUTCOMES = ("refused", "right", "told", "believed")


def counted(cases: dict[str, Case]) -> dict[str, dict[str, int]]:
    """Outcomes by format and of all."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.dat"
        became = {name: outcome(case, path)[0] for name, case in cases.items()}
    rows = {}
    for kind in (*WRITERS, "all"):
        own = {name: one for name, one in became.items() if kind in ("all", name.split(":")[0])}
        counts = Counter(own.values())
        rows[kind] = {"n": len(own)} | {name: counts[name] for name in OUTCOMES}
    return rows


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("wrong_files", __doc__)
    report.parse(argv)
    spoilt, fine = counted(wrong()), counted(right())
    report.table("Wrong files", spoilt)
    report.table("Right files", fine)
    report.record()
    return int(spoilt["all"]["believed"] > 0 or fine["all"]["right"] < fine["all"]["n"])


if __name__ == "__main__":
    sys.exit(main())
