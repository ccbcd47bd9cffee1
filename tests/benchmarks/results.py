"""What a benchmark finds, on the screen and in ``RESULTS.md``.

A benchmark makes one `Report`, reads its command line through it, hands it every table once, and
records at its end: `Report.record` puts a section under the command's own heading and leaves all
other sections as they are, so that no figure is copied by hand. A benchmark that fails records
nothing. ``--results FILE`` records elsewhere, which is for trying things.
"""

from __future__ import annotations

import os
import platform
import re
import shlex
import subprocess
import sys
import time
from argparse import ArgumentParser, Namespace, RawDescriptionHelpFormatter
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import pandas as pd

from pipelines.workspace.files import write_text

HERE = Path(__file__).resolve().parent
RESULTS = HERE / "RESULTS.md"
# The order of the sections; the options of one benchmark follow each other by alphabet.
ORDER = (
    "held_out",
    "many_shops",
    "news",
    "side_by_side",
    "ablation",
    "first_day",
    "ink_worth",
    "gross_errors",
    "wrong_lots",
    "lot_cards",
    "arrivals",
    "drift",
    "plan",
    "planned",
    "reasons",
    "explained",
    "mixes",
    "teaching",
    "savings",
    "new_ink",
    "sisters",
    "inks_learnt",
    "scale",
    "commands",
    "page",
    "group",
    "natural",
    "wrong_files",
    "kills",
    "damage",
    "limits",
)
WHOLE = ("n", "MB", "jobs", "groups", "spoilt", "found", "good lost")
HEAD = """# What was measured

Written by the benchmarks themselves; do not edit. A section is one command: run it again and its
section is replaced. `python -m tests.benchmarks.all` runs them all in turn, `--help` of each says
what its columns mean. The shops are invented (`datasets/demo/README.md`) unless a section says
otherwise.
"""

Rows = Mapping[str, Mapping[str, float | str]] | pd.DataFrame


class Report:
    """The command line of a benchmark, and what it found.

    ``name`` is its module, ``what`` the docstring of that, whose first paragraph says what is
    measured.
    """

    def __init__(self, name: str, what: str) -> None:
        self.name, self.what = name, what.split("\n\n")[0].replace("\n", " ")
        self.parser = ArgumentParser(
            prog=f"python -m tests.benchmarks.{name}",
            description=what,
            formatter_class=RawDescriptionHelpFormatter,
        )
        self.parser.add_argument("--results", type=Path, default=RESULTS, metavar="FILE")
        self._blocks: list[str] = []

    def parse(self, argv: Sequence[str] | None = None) -> Namespace:
        """The options; the command is remembered as it was given."""
        argv = list(sys.argv[1:] if argv is None else argv)
        arguments = self.parser.parse_args(argv)
        self._file = arguments.results
        told = re.sub(r"--(results|out|before|workers)[ =]\S+", "", shlex.join(argv))
        self.heading = " ".join([self.name, *told.split()])
        self._commit, self._started = commit(), time.perf_counter()
        return arguments

    def table(self, title: str, rows: Rows) -> None:
        """Print rows under their title and keep them; a row's name is its key or index."""
        shown = in_figures(rows)
        print(f"\n{title}\n{shown.to_string()}", flush=True)
        self._blocks.append(f"{title}:\n\n{markdown(shown)}")

    def say(self, sentence: str) -> None:
        """Print a sentence and keep it."""
        print(sentence, flush=True)
        self._blocks.append(sentence)

    def record(self) -> None:
        """Put the section in its place."""
        took = time.perf_counter() - self._started
        origin = f"Commit {self._commit}, {date.today().isoformat()}, {machine()}; {took:.0f} s."
        command = f"    python -m tests.benchmarks.{self.heading}"
        put_section(
            self._file, self.heading, "\n\n".join([self.what, command, origin, *self._blocks])
        )
        print(f"{took:.0f} s; recorded in {self._file}", file=sys.stderr)


def in_figures(rows: Rows) -> pd.DataFrame:
    """Figures as text: counts and shares (``%``, ``-``) whole, others two decimals, gaps as -."""
    table = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame.from_dict(rows, orient="index")

    def said(value: object, column: str) -> str:
        if isinstance(value, str):
            return value
        if pd.isna(value):
            return "-"
        whole = column in WHOLE or column.endswith(("%", "-"))
        whole |= pd.api.types.is_integer(value)
        return f"{value:,.0f}" if whole else f"{value:,.2f}"

    return pd.DataFrame(
        {str(c): [said(v, str(c)) for v in table[c]] for c in table},
        index=[" ".join(map(str, i)) if isinstance(i, tuple) else str(i) for i in table.index],
    )


def markdown(shown: pd.DataFrame) -> str:
    """The same as a table of a Markdown page."""
    rows = [["", *shown.columns], ["---"] * (1 + len(shown.columns))]
    rows += [
        [re.sub("^  ", "- ", name), *cells]
        for name, cells in zip(shown.index, shown.to_numpy(), strict=True)
    ]
    return "\n".join("| " + " | ".join(c.replace("|", "\\|") for c in row) + " |" for row in rows)


def put_section(file: Path, heading: str, body: str) -> None:
    """Replace the section of this heading in ``file``, or put it where `ORDER` has it."""
    text = file.read_text(encoding="utf-8") if file.exists() else ""
    sections = dict(part.split("\n", 1) for part in re.split(r"^## ", text, flags=re.M)[1:])
    sections[heading] = f"\n{body}\n"

    def place(heading: str) -> tuple[int, str]:
        return ORDER.index(heading.split()[0]), heading

    written = [f"## {h}\n\n{sections[h].strip()}\n" for h in sorted(sections, key=place)]
    write_text(file, "\n".join([HEAD, *written]))


def commit() -> str:
    """The commit that is measured; "+changes" where the checkout differs from it."""

    def git(*words: str) -> str:
        done = subprocess.run(["git", "-C", HERE, *words], capture_output=True, text=True)
        return done.stdout.strip()

    own = ":(exclude,top)tests/benchmarks/RESULTS.md"
    changed = "+changes" if git("status", "--porcelain", "--", ":/", own) else ""
    return (git("describe", "--always", "--exclude", "*") or "unknown") + changed


def machine() -> str:
    """Cores and Python; threads where they are limited."""
    threads = os.environ.get("OMP_NUM_THREADS")
    limited = f", OMP_NUM_THREADS={threads}" if threads else ""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return f"{cores} cores{limited}, {platform.machine()}, Python {platform.python_version()}"
