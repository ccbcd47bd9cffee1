"""Whole commands as the shop types them, on its demo shop: seconds from the shell to the answer.

``python -m tests.benchmarks.commands`` imports the demo tables into a temporary workspace, learns
from them with one worker and with two - the two models must be the same to the last byte - and
then runs what is asked for every day, each command in a process of its own, the quickest of
`RUNS`. CPU is the seconds of all processors, which a busy machine leaves nearly as they are.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.results import Report
from tests.benchmarks.scale import in_own_process

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
RUNS = 5
GARMENTS = ("G01", "G02", "G03", "G04")
PLAN = ["plan", "--target", "33,50,24", *(o for g in GARMENTS for o in ("--garment", g))]


def strikeoff(workspace: Path, *options: str) -> dict[str, float]:
    """Run one command in a process of its own."""
    command = [sys.executable, "-m", "pipelines.cli", "--workspace", str(workspace), *options]
    return in_own_process(command)


def learnt(workspace: Path, n_workers: int) -> tuple[dict[str, float], tuple[bytes, dict]]:
    """Seconds of ``learn``, and what it has stored: the arrays' bytes and what describes them."""
    strikeoff(workspace, "import", str(DEMO / "tables"), "--shop", "demo")
    took = strikeoff(workspace, "learn", "--workers", str(n_workers))
    (version,) = (workspace / "models" / "demo").glob("0*")
    described = json.loads((version / "model.json").read_text(encoding="utf-8"))
    return took, ((version / "arrays.npz").read_bytes(), described["meta"])


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("commands", __doc__)
    report.parse(argv)
    with tempfile.TemporaryDirectory() as folder:
        one, two = Path(folder) / "one", Path(folder) / "two"
        one.mkdir(), two.mkdir()
        rows = {}
        rows["learn --workers 1"], alone = learnt(one, 1)
        rows["learn --workers 2"], both = learnt(two, 2)
        predict = ["predict", str(DEMO / "next_week.csv"), "--out", str(one / "answers.csv")]
        daily = {"status": ["status"], "plan, four garments": PLAN, "predict, cold": predict}
        for name, options in daily.items():
            runs = [strikeoff(one, *options) for _ in range(RUNS)]
            rows[name] = min(runs, key=lambda run: run["seconds"])
    report.table("Whole commands", rows)
    share = rows["learn --workers 2"]["seconds"] / rows["learn --workers 1"]["seconds"]
    same = "the same to the last byte" if alone == both else "NOT the same"
    report.say(f"Two workers take {share:.2f} of the time of one; their models are {same}.")
    report.record()
    return 0 if alone == both else 1


if __name__ == "__main__":
    raise SystemExit(main())
