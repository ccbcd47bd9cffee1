"""What becomes of tables and calls as people make them, and how long the first answer takes.

``python -m tests.benchmarks.natural`` runs every case of ``tests/natural/cases`` - files and
commands made by hand, the truth beside each - through the command line, a process a command, in a
scratch shop. *taken right*: what was stored or answered is the truth; *but for rows*: so it is, and
the rows left out are told; *with a remedy*: nothing was changed, and doing what was said brings the
truth; *without*: it does not; *wrong*: anything else.

Then the first day: the commands of README from nothing to an answer, what has to be typed - a key a
sign, one more a cell or line - and the seconds the commands take.
"""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import openpyxl

from tests.benchmarks.results import Report
from tests.natural.trying import Outcome, Said, Trial, cases

ROOT = Path(__file__).parents[2]
SHORT = {
    Outcome.RIGHT: "taken right",
    Outcome.PART: "but for rows",
    Outcome.REFUSED: "with a remedy",
    Outcome.DEAD_END: "without",
    Outcome.WRONG: "wrong",
}
# An invented shop that has two inks, a base, two shirts and two screens.
SHELF: dict[str, list[list[str]]] = {
    "Inks": [
        ["red", "Bright red", "plastisol", "colour"],
        ["blue", "Harbour blue", "plastisol", "colour"],
        ["white", "Base white", "plastisol", "underbase"],
    ],
    "Garments": [
        ["tee-white", "garment", "cotton", "White", "93.1", "-0.4", "1.2"],
        ["tee-black", "garment", "cotton", "Black", "16.8", "0.3", "-0.8"],
    ],
    "Screens": [["43-80", "43", "80"], ["77-55", "77", "55"]],
}
# Ink, garment, base -> what would be measured; invented.
MEASURED = {
    ("blue", "tee-white", ""): "36.9,-5.0,-39.2",
    ("blue", "tee-black", ""): "27.4,-1.4,-30.1",
    ("blue", "tee-white", "white"): "36.1,-4.6,-39.0",
    ("blue", "tee-black", "white"): "34.0,-3.6,-36.4",
    ("red", "tee-white", ""): "49.2,61.4,36.6",
    ("red", "tee-black", ""): "36.4,45.2,26.1",
    ("red", "tee-white", "white"): "48.8,61.0,36.9",
    ("red", "tee-black", "white"): "46.2,58.0,34.8",
}
START = "start my-shop/"
TAKE_IN = "import my-shop/shop.xlsx --shop my-shop"
FIRST = "start my-shop/ --first-prints"
ASK = 'predict "bright red" "black tee" --mesh 43-80 --strokes 1 --base-ink white --base-mesh 43-80'
RECORD = "record measured.csv --prints my-shop/first-prints.csv"


def in_own_process(argv: list[str], folder: Path) -> Said:
    """Run a command line as a shop does."""
    done = subprocess.run(
        [sys.executable, "-m", "pipelines.cli", *argv],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
    )
    return Said(done.returncode, done.stdout, done.stderr)


class FirstDay:
    """Types what a shop would, and counts."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.keys, self.seconds = folder, 0, 0.0
        self.rows: dict[str, dict[str, float | str]] = {}

    def command(self, line: str) -> str:
        """A command; its answer."""
        began = time.perf_counter()
        done = in_own_process(shlex.split(line), self.folder)
        if done.code:
            raise RuntimeError(done.err)
        return self._told(f"strikeoff {line}", len(f"strikeoff {line}") + 1, began, done.out)

    def fill_in(self) -> None:
        """The workbook, below its example rows."""
        began, file = time.perf_counter(), self.folder / "my-shop" / "shop.xlsx"
        book = openpyxl.load_workbook(file)
        for title, rows in SHELF.items():
            for at, row in enumerate(rows, start=3):
                for along, cell in enumerate(row, start=1):
                    book[title].cell(at, along, cell)
        book.save(file)
        cells = [cell for rows in SHELF.values() for row in rows for cell in row]
        self._told(f"fill in {len(cells)} cells", sum(len(c) + 1 for c in cells), began, "")

    def measure(self) -> None:
        """What came off the press, by the names of the list."""
        began = time.perf_counter()
        header, *rows = (self.folder / "my-shop" / "first-prints.csv").read_text().splitlines()
        names = header.split(",")
        lines = ["Sample,L*,a*,b*"]
        for row in rows:
            told = dict(zip(names, row.split(","), strict=True))
            printed = told["ink_id"], told["substrate_id"], told["underbase_ink_id"]
            lines.append(f"{told['print_id']},{MEASURED[printed]}")
        (self.folder / "measured.csv").write_text("\n".join(lines) + "\n")
        self._told(f"measure {len(rows)} prints", sum(len(line) + 1 for line in lines), began, "")

    def _told(self, what: str, keys: int, began: float, out: str) -> str:
        took = time.perf_counter() - began
        self.keys, self.seconds = self.keys + keys, self.seconds + took
        answer = next((line.split(": ")[1] for line in out.splitlines()
                       if line.startswith("this set-up: ")), "")  # fmt: skip
        self.rows[f"{len(self.rows) + 1}. {what}"] = {
            "keys": keys,
            "seconds": took,
            "keys so far": self.keys,
            "seconds so far": self.seconds,
            "answer": answer,
        }
        return out


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("natural", __doc__)
    report.parse(argv)
    counts: dict[str, Counter[Outcome]] = {}
    odd = []
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(Path(folder) / "trial", in_own_process)
        for case in cases():
            judged = trial.judge(case)
            counts.setdefault(case.does.split()[0], Counter())[judged.outcome] += 1
            if judged.outcome != case.wanted:
                odd.append(f"{case.name}: {judged.outcome}")
        day = FirstDay(Path(folder))
        day.command(START)
        day.fill_in()
        for line in (TAKE_IN, "learn", ASK, FIRST):
            day.command(line)
        day.measure()
        for line in (RECORD, "learn", ASK):
            day.command(line)
    counts["all"] = sum(counts.values(), Counter())
    rows = {
        name: {"n": found.total(), **{short: found[one] for one, short in SHORT.items()}}
        for name, found in counts.items()
    }
    report.table("Cases by command", rows)
    report.say(f"Not as it should be: {'; '.join(odd) or 'none'}.")
    report.table("From nothing to an answer before any print, and to one from eight", day.rows)
    report.record()
    return 1 if counts["all"][Outcome.WRONG] else 0


if __name__ == "__main__":
    raise SystemExit(main())
