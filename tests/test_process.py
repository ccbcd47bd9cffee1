"""A new process variable is one row: a copy of the program with that row is asked about it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.tiny_shop import TINY, write_shop

ROOT = Path(__file__).parents[1]
END_OF_TABLE = "]\nSETTING_COLUMNS"
ROW = """\
    Setting(
        name="flash_c",
        label="flash",
        word="flash temperature",
        unit="C",
        usual=110.0,
        step=10.0,
        low=40,
        high=250,
        option="--flash-c",
    ),
"""
INSIDE = """\
import json, sys
from pathlib import Path
from pipelines.ledger import store
from pipelines.registry.opened import open_model
from pipelines.tables.folder import to_shop
from pipelines.workspace.folders import Workspace

workspace = Workspace(Path(sys.argv[1]))
shop = workspace.pick(None)
prints = to_shop(store.read(workspace.database(shop))).prints
model = open_model(workspace, shop).model
X = model.features(prints)
asked = prints.iloc[[0, 0]].assign(flash_c=[90.0, 110.0], job_id=None)
print(json.dumps({
    "known": prints["flash_c"].tolist(),
    "feature": X["flash_c"].tolist(),
    "L": model.predict_lab(asked).mean[:, 0].tolist(),
    "terms": [t.term.name for t in model.layout_.terms],
}))
"""


SET_UP = {
    "substrate": "tee-black",
    "underbase-ink": "white",
    "underbase-mesh": "43-80",
    "underbase-strokes": "1",
    "ink": "007",
    "mesh": "77-55",
    "strokes": "1",
    "flashes": "0",
}


def prints_at(temperatures: list[float]) -> str:
    """Red prints on a white base, darker and richer the hotter the flash was: as of more film."""
    head = (
        "print_id,job_id,substrate_id,underbase_ink_id,underbase_mesh_id,underbase_strokes,"
        "ink_id,mesh_id,strokes,flash_count,flash_c,L,a,b"
    )
    same = ",".join(SET_UP.values())
    rows = [
        f"P{i},J{i},{same},{c},{62 - 0.1 * c:.2f},{50 + 0.1 * c:.2f},{24 + 0.08 * c:.2f}"
        for i, c in enumerate(temperatures)
    ]
    return "\n".join([head, *rows, ""])


def cards() -> str:
    """The red as it prints: the tiny shop's own card of it is a pale one."""
    head, _, bucket = TINY["drawdowns.csv"].splitlines()
    card = bucket.replace("bucket", "50").replace("48.1,62.0,35.5", "52.0,60.0,33.0")
    return "\n".join([head, card, bucket, ""])


@pytest.fixture(scope="module")
def program(tmp_path_factory):
    """Runs the program with one row more in its table, after it has learnt a tiny shop."""
    at = tmp_path_factory.mktemp("program")
    for package in ("learn", "pipelines"):
        shutil.copytree(ROOT / package, at / package, ignore=shutil.ignore_patterns("__pycache__"))
    table = at / "learn" / "process.py"
    text = table.read_text(encoding="utf-8")
    assert text.count(END_OF_TABLE) == 1
    table.write_text(text.replace(END_OF_TABLE, ROW + END_OF_TABLE), encoding="utf-8")
    temperatures = [90.0, 95.0, 100.0, 105.0, 110.0] * 6
    shop = write_shop(at / "tiny", prints=prints_at(temperatures), drawdowns=cards())
    for name in ("work", "other"):
        (at / name).mkdir()
    clean = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}

    def run(*args: str) -> subprocess.CompletedProcess:
        return subprocess.run(
            [sys.executable, *args], cwd=at, env=clean, capture_output=True, text=True, timeout=300
        )

    def strikeoff(*args: str) -> str:
        done = run("-m", "pipelines.cli", "--workspace", str(at / "work"), *args)
        assert done.returncode == 0, done.stderr
        return done.stdout

    strikeoff("import", str(shop))
    strikeoff("learn")
    return run, strikeoff, at


def test_row_travels_from_the_tables_to_the_learner(program):
    run, _, at = program
    done = run("-c", INSIDE, str(at / "work"))
    assert done.returncode == 0, done.stderr
    inside = json.loads(done.stdout)
    assert sorted(set(inside["known"])) == [90.0, 95.0, 100.0, 105.0, 110.0]
    assert inside["feature"] == [c / 10.0 for c in inside["known"]]
    cold, hot = inside["L"]
    assert 1.0 < cold - hot < 3.0, "2 L over 20 C, as printed"
    assert {"film: flash", "film: flash, line"} <= set(inside["terms"])


def test_row_travels_from_an_option_to_the_words(program):
    _, strikeoff, _ = program
    options = [word for name, value in SET_UP.items() for word in (f"--{name}", value)]
    usual, hot = (
        " ".join(strikeoff("predict", *options, "--flash-c", c).split()) for c in ("100", "160")
    )
    assert "flash 100 C" in usual and "flash 160 C" in hot
    assert "flash temperature above all past prints" in hot
    assert "flash temperature" not in usual


def test_limits_of_the_row_hold_in_tables(program):
    run, _, at = program
    hot = write_shop(at / "hot", prints=prints_at([100.0, 900.0]))
    done = run(
        "-m", "pipelines.cli", "--workspace", str(at / "other"), "import", str(hot), "--strict"
    )
    assert done.returncode == 2
    assert "flash_c" in done.stderr and "250" in done.stderr
