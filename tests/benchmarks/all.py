"""Every benchmark in turn, each in a process of its own; figures go to ``RESULTS.md``.

``python -m tests.benchmarks.all [--quick] [--only held_out plan ...] [--list]``. One that fails is
told at the end and does not stop the others. ``--quick`` runs those of a minute or two.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from typing import NamedTuple

from pipelines.workspace.progress import Progress
from tests.benchmarks.results import ORDER


class Run(NamedTuple):
    """A command line and how long it takes on two quiet cores, roughly."""

    command: str
    minutes: float

    @property
    def name(self) -> str:
        """The module."""
        return self.command.split()[0]


RUNS = (
    Run("held_out", 1.5),
    Run("held_out --recipe small_lab_only", 1),
    Run("held_out --recipe water_based", 2),
    Run("held_out --real", 5),
    Run("many_shops", 7),
    Run("news --part check", 5),
    Run("news --part large", 11),
    Run("side_by_side", 20),
    Run("ablation", 3),
    Run("ablation --recipe small_lab_only", 1),
    Run("ablation --recipe water_based", 3),
    Run("first_day", 4),
    Run("ink_worth --seed 101 102", 8),
    Run("gross_errors", 10),
    Run("wrong_lots --part last", 4),
    Run("lot_cards --part check", 4),
    Run("arrivals --seed 101", 2),
    Run("arrivals --seed 102", 2),
    Run("arrivals --seed 103", 2),
    Run("drift --seed 101 102", 8),
    Run("plan --seed 101", 6),
    Run("plan --seed 102", 6),
    Run("plan --seed 103", 6),
    Run("plan --speed", 1.5),
    Run("planned --part check", 15),
    Run("reasons --jobs 24", 12),
    Run("explained --part check", 10),
    Run("mixes --seed 101", 5),
    Run("mixes --seed 103", 5),
    Run("mixes --part check", 20),
    Run("teaching --seed 101 102 103", 6),
    Run("savings --part check --weeks 6", 6),
    Run("new_ink", 10),
    Run("sisters --part check --groups 3", 18),
    Run("inks_learnt --part check", 10),
    Run("scale --sizes 800", 1),
    Run("scale", 5),
    Run("commands", 2),
    Run("page", 4),
    Run("group --part engines --plants 3 --prints 60", 3),
    Run("group --part large", 6),
    Run("natural", 4),
    Run("wrong_files", 0.5),
    Run("kills --every 7", 10),
    Run("damage", 8),
    Run("limits", 1),
)
QUICK = 2  # minutes


def in_turn(runs: list[Run]) -> list[str]:
    """Run them; the commands that failed."""
    progress, failed = Progress(), []
    for i, run in enumerate(runs, start=1):
        left = sum(later.minutes for later in runs[i - 1 :])
        progress(f"{i} of {len(runs)}: {run.command} (about {left:.0f} min left)")
        command = [sys.executable, "-m", *f"tests.benchmarks.{run.command}".split()]
        if subprocess.run(command).returncode:
            failed.append(run.command)
    return failed


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.all",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", nargs="+", choices=ORDER, default=ORDER, metavar="NAME")
    parser.add_argument("--list", action="store_true", help="tell the commands, run none")
    asked = parser.parse_args(argv)
    runs = [r for r in RUNS if r.name in asked.only and (r.minutes <= QUICK or not asked.quick)]
    if asked.list:
        for run in runs:
            print(f"python -m tests.benchmarks.{run.command}    about {run.minutes:g} min")
        return 0
    failed = in_turn(runs)
    for command in failed:
        print(f"failed: python -m tests.benchmarks.{command}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
