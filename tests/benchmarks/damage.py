"""Stored models and a shop's database, damaged or edited in one thing each: what is answered then.

``python -m tests.benchmarks.damage``. A shop of 60 invented prints with two versions of its model
and a report card; the kinds of damage and what counts are those of ``tests/damaged.py``: bits
flipped, files cut, emptied or made another thing, values, arrays and rows edited by hand, folders
mixed up. *Unchanged*: every answer is what it was; *told*: a sentence tells of the damage, and
what it says helps; *silent*: another answer without a word; *stuck*: what it says does not help;
*crashed*: no sentence.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests import damaged
from tests.benchmarks.results import Report


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("damage", __doc__)
    report.parse(argv)
    became: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory() as folder:
        whole = damaged.sound(Path(folder))
        for kind, name, damage in damaged.cases(damaged.models() | damaged.database()):
            one, said = damaged.outcome(whole, kind, name, damage)
            became.setdefault(kind, Counter())[one] += 1
            if one not in damaged.WELL:
                print(f"{kind}, {name}: {one}: {said}", file=sys.stderr, flush=True)
    became["all"] = sum(became.values(), Counter())
    report.table(
        "Damaged stores",
        {kind: {"n": n.total()} | {one: n[one] for one in damaged.WORST}
         for kind, n in became.items()},
    )  # fmt: skip
    report.record()
    return int(any(became["all"][one] for one in damaged.WORST if one not in damaged.WELL))


if __name__ == "__main__":
    sys.exit(main())
