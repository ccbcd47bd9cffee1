"""Time and peak memory against the size of the history.

``python -m tests.benchmarks.scale [--sizes 800 2000 6000 30000]`` invents a shop of each size
(kept in the temporary folder) and, every task in a process of its own:

* *learn*: `ShiftModel.fit` on the whole history;
* *predict*: the stored model says colours, bands and verdicts of 10,000 set-ups;
* *append*: a batch of 30 prints to a model that has learnt all the others, without refitting;
* *cold*: ``strikeoff predict`` for one set-up by options, from the shell.

Seconds are those of the task alone, without reading tables - but of the whole command for
*cold*; memory is the peak of the process, CPU the seconds of all of it, which a busy machine
leaves as they are.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from datasets.demo.generate import write_shop
from datasets.demo.recipe import MEDIUM
from datasets.demo.shop import make_shop
from pipelines.workspace.progress import Progress
from tests.benchmarks.results import Report

SEED = 101
SIZES = (800, 2000, 6000)  # 30000 on request
SETUPS, BATCH = 10_000, 30
COLD_RUNS = 3
SHOP = "scale"
ONE_SETUP = "--ink {ink} --substrate {substrate} --mesh {mesh} --strokes 2 --flashes 1"


def folder_of(n: int) -> Path:
    """The generated shop with n prints; also the workspace of its model."""
    folder = Path(tempfile.gettempdir()) / f"scale_{n}"
    if not (folder / "next_week.csv").exists():  # written last
        write_shop(make_shop(replace(MEDIUM, n_prints=n), SEED), folder)
    return folder


def learn(folder: Path) -> dict[str, float]:
    """Fit the history; with a batch kept back where `append` exists to take it in."""
    from learn.predict.model import ShiftModel
    from pipelines.tables.folder import read_folder

    shop = read_folder(folder / "tables", name=SHOP).shop
    model = ShiftModel()
    if hasattr(model, "append"):
        shop = replace(shop, prints=shop.prints.iloc[:-BATCH])
    started = time.perf_counter()
    model.fit(shop)
    took = time.perf_counter() - started
    arrays, description = model.to_state()
    np.savez(folder / "state.npz", **arrays)
    (folder / "state.json").write_text(json.dumps(description), encoding="utf-8")
    found = model.validation_
    return {"seconds": took, "dE00": found["median_dE00"], "cover %": 100 * found["coverage90"]}


def _stored(folder: Path):
    from learn.predict.model import ShiftModel

    with np.load(folder / "state.npz", allow_pickle=False) as arrays:
        description = json.loads((folder / "state.json").read_text(encoding="utf-8"))
        return ShiftModel.from_state(dict(arrays), description)


def predict(folder: Path) -> dict[str, float]:
    """Predict the history's own set-ups, over and over, until there are `SETUPS`."""
    from pipelines.tables.folder import read_folder

    model = _stored(folder)
    prints = read_folder(folder / "tables", name=SHOP).shop.prints
    setups = prints.iloc[np.arange(SETUPS) % len(prints)].reset_index(drop=True)
    setups = setups.assign(setup_id=[f"S{i}" for i in range(SETUPS)])
    started = time.perf_counter()
    model.predict(setups)
    return {"seconds": time.perf_counter() - started}


def append(folder: Path) -> dict[str, float]:
    """Take in the last `BATCH` prints of the history."""
    from pipelines.tables.folder import read_folder

    model = _stored(folder)
    if not hasattr(model, "append"):
        return {"seconds": float("nan")}
    shop = read_folder(folder / "tables", name=SHOP).shop
    started = time.perf_counter()
    model.append(shop)
    return {"seconds": time.perf_counter() - started}


def cold(folder: Path) -> dict[str, float]:
    """``strikeoff predict`` from the shell, the quickest of a few runs."""
    from pipelines.commands.import_tables import import_tables
    from pipelines.registry import versions
    from pipelines.registry.catalogue import Catalogue
    from pipelines.registry.in_folder import InFolder
    from pipelines.tables.folder import read_folder
    from pipelines.workspace.folders import Workspace

    shop = read_folder(folder / "tables", name=SHOP).shop
    workspace = Workspace(folder)
    if SHOP not in workspace.shops():
        import_tables(folder / "tables", workspace=workspace, shop=SHOP)
    arrays, description = _stored(folder).to_state()
    facts = {
        "data_sha256": "",
        "database_sha256": versions.file_digest(workspace.database(SHOP)),
        "catalogue": Catalogue.of(shop).facts(),
        "validation": {},
    }
    versions.save(InFolder(workspace.models(SHOP)), arrays, description, facts)
    last = shop.prints.iloc[-1]
    options = ONE_SETUP.format(
        ink=last["ink_id"], substrate=last["substrate_id"], mesh=last["mesh_id"]
    )
    command = [sys.executable, "-m", "pipelines.cli", "--workspace", str(folder), "predict"]
    runs = [in_own_process([*command, *options.split()]) for _ in range(COLD_RUNS)]
    return min(runs, key=lambda run: run["seconds"])


TASKS = {"learn": learn, "predict": predict, "append": append, "cold": cold}


def in_own_process(command: list[str]) -> dict[str, float]:
    """Seconds, CPU and peak MB of a command, and what its last line says, if that is JSON."""
    started = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    said = child.stdout.read()
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)  # else Popen would wait again
    if child.returncode:
        raise subprocess.CalledProcessError(child.returncode, command)
    found = {"seconds": time.perf_counter() - started, "CPU": used.ru_utime + used.ru_stime}
    found["MB"] = used.ru_maxrss / 1024
    last = said.splitlines()[-1] if said else ""
    return found | (json.loads(last) if last.startswith("{") else {})


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("scale", __doc__)
    parser = report.parser
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    parser.add_argument("--tasks", choices=TASKS, nargs="+", default=list(TASKS))
    parser.add_argument("--in", dest="folder", type=Path, help=argparse.SUPPRESS)
    arguments = report.parse(argv)
    if arguments.folder:  # how this program calls itself
        print(json.dumps(TASKS[arguments.tasks[0]](arguments.folder)))
        return 0
    progress, rows = Progress(), {}
    for n in arguments.sizes:
        progress(f"{n} prints")
        folder = folder_of(n)
        for task in arguments.tasks:
            command = [sys.executable, "-m", "tests.benchmarks.scale"]
            found = in_own_process([*command, "--in", str(folder), "--tasks", task])
            rows[f"{n} prints: {task}"] = found
            progress(f"{n} prints, {task}: {found['seconds']:.2f} s, {found['MB']:.0f} MB")
    report.table("Each task in a process of its own", rows)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
