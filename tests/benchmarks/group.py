"""Plants of one group learnt by one worker, by two and over a scheduler; 500 plants reckoned.

``python -m tests.benchmarks.group --part engines [--plants 3] [--prints 150]`` invents plants (the
demo's recipe, other seeds) that tell each other of their inks, and learns them by ``strikeoff learn
--group``: in one process, with two workers, by a Dask scheduler with two workers on loopback, and
once more with one of these killed half-way. All must store the same bytes, none missing, none
twice.

``--part large [--prints 5000]`` sends, learns, stores and tells one plant step by step, in CPU
seconds and bytes, and simulates a group of 500 such plants from these on W workers.

CPU seconds are those of the processes, which a busy machine leaves nearly as they are; "share": of
the two cores that the command got while it ran.
"""

from __future__ import annotations

import argparse
import contextlib
import heapq
import io
import json
import os
import pickle
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from datasets.demo.generate import write_shop
from datasets.demo.recipe import MEDIUM
from datasets.demo.shop import make_shop
from learn.workers import workers
from pipelines.cli import main as strikeoff
from pipelines.tables.group import Member, read_group
from pipelines.tasks import groups
from pipelines.tasks.groups import Engine, learn_all
from pipelines.tasks.plants import Asked, Learnt, learn_plant, tell_plant
from pipelines.tasks.sisters import MOST, worth_hearing
from pipelines.workspace.folders import Workspace
from pipelines.workspace.progress import Progress
from tests.benchmarks.results import Report
from tests.benchmarks.scale import in_own_process
from tests.cluster import running_cluster

SEED = 201
PLANTS, SPREAD = 500, 0.3  # simulated; standard deviation of the logarithm of a plant's work
BYTES_PER_S = 117e6  # a line of 1 Gbit/s
WORKERS = (1, 2, 8, 32, 128)
ASSUMED = (
    f"Assumed: every plant shares its inks and is told by {MOST} others, once all have learnt; "
    "plants are alike but for a log-normal spread of their work of 30 %; the main process sends "
    "and stores one plant at a time and does not get faster; all goes over its one line of "
    "1 Gbit/s, uncompressed; a worker is a core like this one with memory to itself, and W of "
    "them on several computers disturb each other no more than two do; two tasks a worker are "
    "sent ahead; nothing fails. Memory of the main process: itself, what is sent ahead, W answers, "
    "and what all plants tell."
)


def group_of(root: Path, n_plants: int, n_prints: int) -> Path:
    """A workspace with plants of these sizes that share what they know, nothing learnt."""
    root.mkdir()
    names = [f"plant-{i + 1}" for i in range(n_plants)]
    for i, name in enumerate(names):
        tables = root.parent / f"{name}-{n_prints}"
        write_shop(make_shop(replace(MEDIUM, n_prints=n_prints), SEED + i), tables)
        command = ["import", str(tables / "tables"), "--shop", name]
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            code = strikeoff(["--workspace", str(root), *command])
        if code != 0:
            raise SystemExit(f"{tables} could not be imported: {said.getvalue()}")
    text = "".join(f'[[shop]]\nname = "{name}"\nshares = true\n' for name in names)
    (root / "group.toml").write_text(text, encoding="utf-8")
    return root


def stored(root: Path) -> dict[str, bytes]:
    """The arrays of every version of every plant."""
    files = sorted(root.glob("models/*/0*/arrays.npz"))
    return {str(file.parent.relative_to(root / "models")): file.read_bytes() for file in files}


def learnt(fresh: Path, to: Path, *options: str) -> tuple[dict[str, float], dict[str, bytes]]:
    """Seconds of ``learn --group`` from the shell, and what it has stored."""
    shutil.copytree(fresh, to)
    command = [sys.executable, "-m", "pipelines.cli", "--workspace", str(to), "learn", "--group"]
    took = in_own_process([*command, *options])
    row = {"seconds": took["seconds"], "CPU s": took["CPU"], "MB of the main process": took["MB"]}
    return row, stored(to)


def with_a_kill(fresh: Path, to: Path) -> dict[str, bytes]:
    """What is stored where one of two workers is killed when the first plant has come back."""
    shutil.copytree(fresh, to)
    group, told = read_group(to / "group.toml", Workspace(to)), []
    with running_cluster(to.parent / "killed") as cluster:

        def say(text: str) -> None:
            told.append(text)
            if len(told) == 1:
                cluster.workers[0].kill()

        learn_all(group, Engine(cluster=cluster.address), say)
    return stored(to)


@dataclass(frozen=True)
class Costs:
    """Of one task: CPU seconds here before and after it and of a worker, and bytes either way."""

    send_s: float
    work_s: float
    store_s: float
    out_bytes: int
    back_bytes: int


@dataclass(frozen=True)
class Plant:
    """What one plant costs: learnt, and told by others."""

    learning: Costs
    telling: Costs
    tells_bytes: int  # of what it tells the others
    main_mb: float
    worker_mb: float


def costs_of(root: Path) -> Plant:
    """The plant of a workspace that holds one, sent, learnt, stored and told step by step."""
    (member,) = read_group(root / "group.toml", Workspace(root)).members
    cpu, asked = time.process_time(), replace(groups._asked(member), shares=True)
    out = pickle.dumps(asked, protocol=5)
    sent, main_mb = time.process_time() - cpu, peak_mb()
    learning, done = task(member, asked, learn_plant, sent, len(out))
    assert done.known.tells is not None
    others = [done.known.tells] * MOST
    cpu, again = time.process_time(), groups._asked(member)
    again = replace(again, others=worth_hearing(again.sent.state, others))
    out = pickle.dumps(again, protocol=5)
    sent = time.process_time() - cpu
    telling, _ = task(member, again, tell_plant, sent, len(out))
    return Plant(learning, telling, len(pickle.dumps(others[0], protocol=5)), main_mb, peak_mb())


def task(
    member: Member, asked: Asked, work: groups.Callable[[Asked], Learnt], sent: float, out: int
) -> tuple[Costs, Learnt]:
    """One task done and stored."""
    before = replace(asked.parcel, parts=dict(asked.parcel.parts))
    clock = [time.process_time()]
    with workers(1):
        done = work(asked)
    clock.append(time.process_time())
    back = pickle.dumps(done, protocol=5)
    groups._store(member, before, pickle.loads(back))
    clock.append(time.process_time())
    worked, stored_s = np.diff(clock)
    return Costs(sent, float(worked), float(stored_s), out, len(back)), done


def peak_mb() -> float:
    """Memory of this process so far, at most."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def simulated(costs: Costs, works: Sequence[float], n_workers: int) -> float:
    """Seconds until tasks of so many seconds each are done and stored by so many workers.

    The main process is one server: it sends the next task to whoever is free, and stores what has
    come back, whichever is earlier. A worker begins when its task is there.
    """
    send = costs.send_s + costs.out_bytes / BYTES_PER_S
    store = costs.store_s + costs.back_bytes / BYTES_PER_S
    free = [0.0] * n_workers  # when each worker has done what it was given
    ready: list[float] = []  # answers that wait to be stored, or will
    at = 0.0
    for seconds in works:
        if len(ready) >= 2 * n_workers:  # no more is sent ahead: wait for an answer
            at = max(at, ready[0])
        while ready and ready[0] <= at:
            heapq.heappop(ready)
            at += store
        at += send
        first = min(range(n_workers), key=free.__getitem__)
        free[first] = max(free[first], at) + seconds
        heapq.heappush(ready, free[first])
    while ready:
        at = max(at, heapq.heappop(ready)) + store
    return at


def spread(mean: float, n: int, seed: int = 0) -> list[float]:
    """Works of so many plants."""
    rng = np.random.default_rng(seed)
    drawn: list[float] = (mean * np.exp(SPREAD * rng.standard_normal(n) - SPREAD**2 / 2)).tolist()
    return drawn


def engines(report: Report, folder: Path, n_plants: int, n_prints: int) -> bool:
    """Plants learnt in every way; whether all stored the same, once."""
    say = Progress()
    fresh = group_of(folder / "fresh", n_plants, n_prints)
    rows: dict[str, dict[str, float]] = {}
    say("one process")
    rows["--workers 1"], alone = learnt(fresh, folder / "one", "--workers", "1")
    say("two workers")
    rows["--workers 2"], both = learnt(fresh, folder / "two", "--workers", "2")
    say("a scheduler and two workers")
    with running_cluster(folder / "dask") as cluster:
        before = cpu_of([one.pid for one in cluster.workers])
        address = ("--cluster", cluster.address)
        rows["--cluster, two workers"], far = learnt(fresh, folder / "far", *address)
        its = cpu_of([one.pid for one in cluster.workers]) - before
        rows["--cluster, two workers"]["CPU s"] += its
    say("one of two workers killed")
    killed = with_a_kill(fresh, folder / "again")
    for row in rows.values():
        row["share %"] = 100 * row["CPU s"] / (2 * row["seconds"])
    one = rows["--workers 1"]
    for row in rows.values():
        row["times as fast"] = one["seconds"] / row["seconds"]
        row["CPU to that of one"] = row["CPU s"] / one["CPU s"]
    report.table(f"{n_plants} plants of {n_prints} prints, learnt anew and told", rows)
    same = alone == both == far == killed
    lost, twice = len(alone.keys() - killed.keys()), len(killed.keys() - alone.keys())
    report.say(
        f"{len(alone)} versions are stored, {'the same' if same else 'NOT the same'} to the last "
        f"byte by all. With one of two workers killed half-way: {lost} lost, {twice} doubled."
    )
    return same and len({Path(name).parent for name in alone}) == n_plants


def cpu_of(processes: Sequence[int]) -> float:
    """CPU seconds of processes that run (Linux)."""
    ticks = 0
    for pid in processes:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def large(report: Report, folder: Path, n_prints: int) -> None:
    """One plant step by step, and many of them simulated."""
    Progress()(f"a plant of {n_prints} prints")
    root = group_of(folder / "large", 1, n_prints)
    found = in_own_process([sys.executable, "-m", "tests.benchmarks.group", "--in", str(root)])
    plant = Plant(Costs(**found["learning"]), Costs(**found["telling"]), *found["rest"])
    report.table(
        f"One plant of {n_prints:,} prints",
        {
            name: steps(one)
            for name, one in (
                ("learnt anew", plant.learning),
                (f"told by {MOST} others", plant.telling),
            )
        },
    )
    rounds = (plant.learning, plant.telling)
    took = {n: sum(simulated(c, spread(c.work_s, PLANTS), n) for c in rounds) for n in WORKERS}
    told = PLANTS * plant.tells_bytes / 1e6
    sent, back = (max(getattr(c, f"{way}_bytes") for c in rounds) / 1e6 for way in ("out", "back"))
    table = {
        f"{n} workers": {
            "hours": took[n] / 3600,
            "times as fast": took[1] / took[n],
            "GB in all workers": n * plant.worker_mb / 1e3,
            "GB in the main process": (plant.main_mb + told + n * (2 * sent + back)) / 1e3,
        }
        for n in WORKERS
    }
    report.table(f"{PLANTS} plants of {n_prints:,} prints, simulated", table)
    moved = PLANTS * sum(c.out_bytes + c.back_bytes for c in rounds) / 1e9
    report.say(
        f"{moved:.1f} GB are moved in all; a worker takes {plant.worker_mb:,.0f} MB, the main "
        f"process {plant.main_mb:,.0f} and what it holds of plants. {ASSUMED}"
    )


def steps(costs: Costs) -> Mapping[str, float]:
    """One row of the table."""
    return {
        "read and sent, CPU s": costs.send_s,
        "worker, CPU s": costs.work_s,
        "stored, CPU s": costs.store_s,
        "sent, 10^6 bytes": costs.out_bytes / 1e6,
        "back, 10^6 bytes": costs.back_bytes / 1e6,
    }


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("group", __doc__)
    report.parser.add_argument("--part", choices=("engines", "large"), default="engines")
    report.parser.add_argument("--plants", type=int, default=3)
    report.parser.add_argument("--prints", type=int, help="of a plant (default: 150, or 5000)")
    report.parser.add_argument("--in", dest="folder", type=Path, help=argparse.SUPPRESS)
    asked = report.parse(argv)
    if asked.folder:  # how this program calls itself
        plant = costs_of(asked.folder)
        rest = (plant.tells_bytes, plant.main_mb, plant.worker_mb)
        parts = {"learning": asdict(plant.learning), "telling": asdict(plant.telling)}
        print(json.dumps(parts | {"rest": rest}))
        return 0
    done = True
    with tempfile.TemporaryDirectory() as made:
        if asked.part == "engines":
            done = engines(report, Path(made), asked.plants, asked.prints or 150)
        else:
            large(report, Path(made), asked.prints or 5000)
    report.record()
    return 0 if done else 1


if __name__ == "__main__":
    raise SystemExit(main())
