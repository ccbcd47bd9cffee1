"""Figures are recorded by the benchmarks alone, each in its own section."""

from pathlib import Path

import numpy as np
import pandas as pd

from tests.benchmarks import all as every
from tests.benchmarks import news
from tests.benchmarks.results import ORDER, Report

HERE = Path(__file__).parent


def recorded(file: Path, name: str, options: list[str], value: float) -> str:
    report = Report(name, f"What {name}\nmeasures.\n\nMore of it.")
    report.parser.add_argument("--seed")
    report.parse([*options, "--results", str(file)])
    report.table("Errors", {"a|b": {"n": 3, "cover %": 91.4, "dE00": value}, "c": {"n": 4}})
    report.record()
    return file.read_text(encoding="utf-8")


def test_a_section_is_replaced_and_the_others_stay(tmp_path):
    file = tmp_path / "RESULTS.md"
    recorded(file, "scale", [], 1.0)
    recorded(file, "held_out", ["--seed", "2"], 2.0)
    text = recorded(file, "held_out", [], 3.0)
    assert [line for line in text.splitlines() if line.startswith("## ")] == [
        "## held_out",
        "## held_out --seed 2",
        "## scale",
    ]
    assert "\nWhat held_out measures.\n\n    python -m tests.benchmarks.held_out --seed 2\n" in text
    again = recorded(file, "held_out", ["--seed", "2"], 4.0)
    assert "| a\\|b | 3 | 91 | 4.00 |" in again and "| c | 4 | - | - |" in again
    parts, parts_again = text.split("\n## "), again.split("\n## ")
    assert [a == b for a, b in zip(parts, parts_again, strict=True)] == [True, True, False, True]


def test_a_benchmark_that_stops_half_way_records_nothing(tmp_path):
    report = Report("plan", "What.")
    report.parse(["--results", str(tmp_path / "RESULTS.md")])
    report.table("Half of it", pd.DataFrame({"x": [1.0]}))
    assert not (tmp_path / "RESULTS.md").exists()


def test_every_benchmark_reports_and_has_its_place():
    """A module that measures but neither records nor runs with the rest is found here."""
    said = {p.stem: p.read_text(encoding="utf-8") for p in HERE.glob("*.py")}
    runnable = {name for name, text in said.items() if "\nif __name__" in text} - {"all"}
    assert runnable == set(ORDER)
    assert not [name for name in runnable if "report.record()" not in said[name]]
    assert {run.name for run in every.RUNS} == set(ORDER)


def test_one_that_fails_does_not_stop_the_others(capfd):
    runs = [every.Run("held_out --no-such-option", 1), every.Run("scale --help", 1)]
    assert every.in_turn(runs) == ["held_out --no-such-option"]
    assert "append" in capfd.readouterr().out


def test_what_changed_is_told_of_the_same_prints():
    """Half the error on every print is half the error, in whatever order the prints come."""
    rng = np.random.default_rng(0)
    n = 200
    then = pd.DataFrame(
        {"shop kind": "few", "seed": 1, "kind": "lot", "setup_id": [f"S{i:04d}" for i in range(n)]}
    ).assign(dE00=rng.uniform(2, 8, n), width=4.0, go=False, **dict.fromkeys(news.INSIDE, False))
    now = then.assign(dE00=then["dE00"] / 2, width=3.0, go=True, **dict.fromkeys(news.INSIDE, True))
    found = news.changes(then, now.sample(frac=1, random_state=0))
    assert -50 < found["change %"] < -47 and found["from %"] < found["to %"] < -47
    assert (found["cover then %"], found["cover %"], found["go %"]) == (0, 100, 100)
    assert news.changes(then, then)["change %"] == 0
