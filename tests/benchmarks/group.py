"""Plants of one group learnt by one worker, by two and over a scheduler; 500 plants reckoned.

``python -m tests.benchmarks.group [--plants 4] [--prints 300] [--large 5000]`` invents plants (the
demo's recipe, other seeds) and learns them by ``strikeoff learn --group``: in one process, with two
workers, by a Dask scheduler with two workers on loopback, and once more with one of these killed
half-way. All must store the same bytes, none missing, none twice.

One plant of ``--large`` prints is then sent, learnt and stored step by step, in CPU seconds and
bytes, and a group of 500 such plants is simulated from these on W workers (`simulated`). CPU
seconds are those of one process, which a busy machine leaves nearly as they are.
"""

from __future__ import annotations

import heapq
import pickle
import resource
import shutil
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from datasets.demo.generate import write_shop
from datasets.demo.recipe import MEDIUM
from datasets.demo.shop import make_shop
from learn.workers import workers
from pipelines.cli import main as strikeoff
from pipelines.tables.group import read_group
from pipelines.tasks import groups
from pipelines.tasks.groups import Engine, learn_all
from pipelines.tasks.plants import learn_plant
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
    "Assumed: plants alike but for a log-normal spread of their work of 30 %; the main process "
    "sends and stores one plant at a time and does not get faster; all goes over its one line of 1 "
    "Gbit/s, uncompressed; a worker is a core like this one with memory to itself, and W of them "
    "on several computers disturb each other no more than two do; two tasks a worker are sent "
    "ahead; nothing fails. Memory of the main process: itself, what is sent ahead, and W answers."
)


def group_of(root: Path, n_plants: int, n_prints: int) -> Path:
    """A workspace with plants of these sizes, nothing learnt."""
    root.mkdir()
    names = [f"plant-{i + 1}" for i in range(n_plants)]
    for i, name in enumerate(names):
        tables = root.parent / f"{name}-{n_prints}"
        write_shop(make_shop(replace(MEDIUM, n_prints=n_prints), SEED + i), tables)
        command = ["import", str(tables / "tables"), "--shop", name]
        if strikeoff(["--workspace", str(root), *command]) != 0:
            raise SystemExit(f"{tables} could not be imported")
    (root / "group.toml").write_text("".join(f'[[shop]]\nname = "{name}"\n' for name in names))
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
    return {"seconds": took["seconds"], "MB of the main process": took["MB"]}, stored(to)


def with_a_kill(fresh: Path, to: Path) -> tuple[int, dict[str, bytes]]:
    """Plants told as learnt, and what is stored, where one of two workers is killed half-way."""
    shutil.copytree(fresh, to)
    group, told = read_group(to / "group.toml", Workspace(to)), []
    with running_cluster(to.parent / "killed") as cluster:

        def say(text: str) -> None:
            told.append(text)
            if len(told) == 1:
                cluster.workers[0].kill()

        learn_all(group, Engine(cluster=cluster.address), say)
    return len(told), stored(to)


@dataclass(frozen=True)
class Costs:
    """Of one plant: CPU seconds here before and after, of a worker, and bytes either way."""

    send_s: float
    work_s: float
    store_s: float
    out_bytes: int
    back_bytes: int
    worker_mb: float


def costs_of(root: Path) -> Costs:
    """The plant of a workspace that holds one, sent, learnt and stored step by step."""
    member = read_group(root / "group.toml", Workspace(root)).members[0]
    clock = [time.process_time()]
    asked = groups._asked(member)
    out = pickle.dumps(asked, protocol=5)
    clock.append(time.process_time())
    before = replace(asked.parcel, parts=dict(asked.parcel.parts))
    with workers(1):
        done = learn_plant(asked)
    clock.append(time.process_time())
    back = pickle.dumps(done, protocol=5)
    groups._store(member, before, pickle.loads(back))
    clock.append(time.process_time())
    send, work, store = np.diff(clock)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return Costs(send, work, store, len(out), len(back), peak)


def simulated(costs: Costs, n_workers: int, seed: int = 0) -> float:
    """Seconds for `PLANTS` plants on so many workers, event by event.

    The main process is one server: it sends the next plant to whoever is free, and stores what has
    come back, whichever is earlier. A worker begins when its plant is there.
    """
    rng = np.random.default_rng(seed)
    work = costs.work_s * np.exp(SPREAD * rng.standard_normal(PLANTS) - SPREAD**2 / 2)
    send = costs.send_s + costs.out_bytes / BYTES_PER_S
    store = costs.store_s + costs.back_bytes / BYTES_PER_S
    free = [0.0] * n_workers  # when each worker has done what it was given
    ready: list[float] = []  # answers that wait to be stored
    at = 0.0
    given = [0] * n_workers
    for seconds in work:
        while ready and ready[0] <= at:
            heapq.heappop(ready)
            at += store
        at += send
        first = min(range(n_workers), key=free.__getitem__)
        given[first] += 1
        free[first] = max(free[first], at) + seconds
        heapq.heappush(ready, free[first])
        ahead = sorted(ready)
        if len(ahead) >= 2 * n_workers:  # no more is sent ahead: wait for an answer
            at = max(at, ahead[0])
    while ready:
        at = max(at, heapq.heappop(ready)) + store
    return at


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("group", __doc__)
    report.parser.add_argument("--plants", type=int, default=4)
    report.parser.add_argument("--prints", type=int, default=300)
    report.parser.add_argument("--large", type=int, default=5000)
    arguments = report.parse(argv)
    say, rows = Progress(), {}
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        fresh = group_of(folder / "fresh", arguments.plants, arguments.prints)
        say("one process")
        rows["--workers 1"], alone = learnt(fresh, folder / "one", "--workers", "1")
        say("two workers")
        rows["--workers 2"], both = learnt(fresh, folder / "two", "--workers", "2")
        say("a scheduler and two workers")
        with running_cluster(folder / "dask") as cluster:
            address = ("--cluster", cluster.address)
            rows["--cluster, two workers"], far = learnt(fresh, folder / "far", *address)
        say("one of two workers killed")
        told, killed = with_a_kill(fresh, folder / "again")
        same = alone == both == far == killed
        say(f"a plant of {arguments.large} prints")
        costs = costs_of(group_of(folder / "large", 1, arguments.large))
    once = len(alone) == arguments.plants
    report.table(f"{arguments.plants} plants of {arguments.prints} prints, learnt anew", rows)
    lost, twice = arguments.plants - len(killed), told - arguments.plants
    report.say(
        f"What is stored is {'the same to the last byte' if same and once else 'NOT the same'}. "
        f"With one of two workers killed half-way: {lost} lost, {twice} done twice."
    )
    report.table(
        f"One plant of {arguments.large:,} prints, learnt anew",
        {
            "": {
                "read and sent, CPU s": costs.send_s,
                "worker, CPU s": costs.work_s,
                "stored, CPU s": costs.store_s,
                "MB sent": costs.out_bytes / 1e6,
                "MB back": costs.back_bytes / 1e6,
                "MB of memory of a process": round(costs.worker_mb),
            }
        },
    )
    moved = PLANTS * (costs.out_bytes + costs.back_bytes) / 1e9
    one = simulated(costs, 1)
    table = {}
    for n in WORKERS:
        took = simulated(costs, n)
        held = costs.worker_mb + n * (2 * costs.out_bytes + costs.back_bytes) / 1e6
        table[f"{n} workers"] = {
            "hours": took / 3600,
            "times as fast": one / took,
            "GB in all workers": n * costs.worker_mb / 1e3,
            "GB in the main process": held / 1e3,
        }
    report.table(f"{PLANTS} plants of {arguments.large:,} prints, simulated", table)
    report.say(f"{moved:.1f} GB are moved in all. {ASSUMED}")
    report.record()
    return 0 if same and once and not (lost or twice) else 1


if __name__ == "__main__":
    raise SystemExit(main())
