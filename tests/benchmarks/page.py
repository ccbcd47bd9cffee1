"""The local page as people use it: how soon it is there, how soon a change shows, what it weighs.

``python -m tests.benchmarks.page`` takes the demo shop in, learns (or takes ``--workspace FOLDER``,
where that was done), and asks a server of its own as browsers do, over HTTP. *changed control*: one
field of *Ask* after another, and back to what was asked before; *ten at once*: ten browsers that
ask without a pause, nothing twice, while the page learns all anew, none to be lost or answered
otherwise than alone; *1,000 inks*: the demo's inks under other names besides, not learnt yet, so
that they are described anew when the page is opened, and a week of 1,400 set-ups, first and again.
CPU is what the server itself spent on a request, which a busy machine leaves nearly as it is. Taps
are counted in a browser on a tablet, typing a name in a field as one.
"""

from __future__ import annotations

import itertools
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.error import HTTPError
from urllib.parse import urlencode
from urllib.request import Request, urlopen

import numpy as np
import pandas as pd

from pipelines.desk.learning import Learning
from pipelines.workspace.folders import Workspace
from tests.benchmarks.results import Report
from tests.desk.conftest import CHROMIUM
from tests.desk.hands import WAYS

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
INKS = ["Turquoise", "Deep red", "Hot pink", "Royal blue", "Clear magenta", "Bright red"]
GARMENTS = ["Black", "White", "Ash grey heather"]
PLACES = ["/today/", "/shelf/", "/begin/", "/screen/"]
LINKED = ["/static/desk.css", "/static/desk.js", "/static/icon.svg"]
BROWSERS, TURNS = 10, 18
SETUPS = 1400
ON_A_SHELF = [
    "/ask/",
    "/shelf/",
    "/shelf/?from=500",
    "/shelf/?word=deep+red+7",
    "/shelf/?kind=garments",
]
PATIENCE_S = 300


def strikeoff(workspace: Path, *options: str) -> list[str]:
    return [sys.executable, "-m", "pipelines.cli", "--workspace", str(workspace), *options]


def questions() -> list[str]:
    """Addresses of *Ask*, each with one field other than the one before."""
    fields = [
        {"ink": ink, "garment": garment, "base": base, "strokes": strokes, "target": "45,50,20"}
        for ink, garment in zip(INKS, itertools.cycle(GARMENTS), strict=False)
        for base in ("", "none")
        for strokes in ("", "1", "2")
    ]
    return [f"/ask/?{urlencode(told)}" for told in fields]


def fresh_questions() -> list[str]:
    """Addresses of *Ask* for `BROWSERS` that ask `TURNS` times each, none a second time."""
    paths = itertools.cycle(questions())
    return [
        next(paths).replace("45%2C50%2C20", f"45%2C50%2C{20 + n / 100}")
        for n in range(BROWSERS * TURNS)
    ]


def asked(address: str, path: str) -> tuple[float, str]:
    """Seconds until the answer is there, and the answer."""
    start = time.perf_counter()
    with urlopen(Request(address + path, headers={"X-Part": "1"})) as reply:
        text = reply.read().decode()
    return time.perf_counter() - start, text


@contextmanager
def served(workspace: Path) -> Iterator[tuple[str, int, float]]:
    """The address of the page, its process, and seconds from the command to the first page."""
    start = time.perf_counter()
    command = strikeoff(workspace, "open", "--no-browser")
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            address = re.search(r"http://[\d.:]+", server.stdout.readline())[0]
            asked(address, "/ask/")
            yield address, server.pid, time.perf_counter() - start
        finally:
            server.terminate()


def cpu_s(pid: int) -> float:
    """Seconds of all processors that a process has spent; NaN where the system does not tell."""
    try:
        cells = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
    except OSError:
        return float("nan")
    return (int(cells[11]) + int(cells[12])) / os.sysconf("SC_CLK_TCK")


def at_once(address: str, alone: dict[str, str]) -> tuple[list[float], int, int]:
    """Seconds of every question of ten browsers; how many were lost, and how many wrong."""
    lost = wrong = 0
    took = []

    def browse(k: int) -> list[tuple[float, bool] | None]:
        told: list[tuple[float, bool] | None] = []
        for path in list(alone)[k::BROWSERS]:
            try:
                seconds, text = asked(address, path)
                told.append((seconds, text == alone[path]))
            except OSError:
                told.append(None)
        return told

    with ThreadPoolExecutor(BROWSERS) as pool:
        for one in itertools.chain.from_iterable(pool.map(browse, range(BROWSERS))):
            if one is None:
                lost += 1
            else:
                took.append(one[0])
                wrong += not one[1]
    return took, lost, wrong


def with_many_inks(workspace: Path, folder: Path, n_inks: int) -> Path:
    """The workspace with so many inks: the demo's, again and again under other names."""
    more = Path(shutil.copytree(workspace, folder / "many"))
    tables = Path(shutil.copytree(DEMO / "tables", folder / "tables"))
    for name in ("inks", "drawdowns"):
        frame = pd.read_csv(tables / f"{name}.csv", dtype=str, keep_default_na=False)
        copies = [frame]
        for n in range(1, n_inks // 28 + 1):
            copy = frame.assign(ink_id=frame["ink_id"] + f"-{n}")
            if name == "inks":
                copy = copy.assign(ink_name=frame["ink_name"] + f" {n}")
            copies.append(copy)
        pd.concat(copies).to_csv(tables / f"{name}.csv", index=False)
    subprocess.run(strikeoff(more, "import", str(tables), "--shop", "demo"), check=True,
                   stdout=subprocess.DEVNULL)  # fmt: skip
    return more


def with_a_long_week(workspace: Path, n_setups: int) -> None:
    """The demo's open jobs again and again, as jobs of a week."""
    week = pd.read_csv(DEMO / "next_week.csv", dtype=str, keep_default_na=False)
    many = pd.concat([week] * (n_setups // len(week) + 1), ignore_index=True).head(n_setups)
    number = (many.index // len(week)).astype(str)
    many = many.assign(setup_id=many["setup_id"] + "-" + number, job_id=many["job_id"] + number)
    many.to_csv(workspace / "datasets" / "demo" / "week.csv", index=False)


def told_of(address: str, ink: str) -> float:
    """Seconds until an ink that has come in can be asked about."""
    start = time.perf_counter()
    while time.perf_counter() - start < PATIENCE_S:
        with suppress(HTTPError):  # not yet
            asked(address, f"/ask/?{urlencode({'ink': ink, 'garment': 'Black'})}")
            return time.perf_counter() - start
        time.sleep(0.5)
    return float("nan")


def most_mb(pid: int) -> float:
    """The most memory that a process has held, in MB; NaN where the system does not tell."""
    try:
        told = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return float("nan")
    return int(re.search(r"VmHWM:\s+(\d+)", told)[1]) / 1000


def taps_to_a_verdict(address: str) -> int | None:
    """Taps from an empty *Ask* to the verdict on bright red, a black tee, the usual base; None
    without a browser."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return None
    if not Path(CHROMIUM).exists():
        return None
    taps = 0
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_context(base_url=address, **WAYS["phone"]).new_page()
        page.goto("/ask/")
        for field, name in (("ink", "Bright red"), ("garment", "Black")):
            chip = page.locator(f'label.chip:has(input[name="{field}"][value="{name}"])')
            if chip.count():
                chip.tap()
            else:
                page.locator(f'input[list="{field}s"]').tap()
                page.keyboard.type(name)
                taps += 1
            taps += 1
            page.wait_for_selector(f"#{field}s-chips input:checked", state="attached")
        page.wait_for_selector("#answer .verdict")
        assert "as usual" in page.inner_text("#usual-base")
        browser.close()
    return taps


def quantiles(seconds: list[float]) -> dict[str, float]:
    middle, late = np.quantile(seconds, [0.5, 0.95])
    return {"n": len(seconds), "median ms": 1000 * middle, "p95 ms": 1000 * late}


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("page", __doc__)
    help_text = "a workspace where the demo shop was learnt"
    report.parser.add_argument("--workspace", type=Path, metavar="FOLDER", help=help_text)
    help_text = "inks of the large shelf; 0 leaves it out (default 1000)"
    report.parser.add_argument("--inks", type=int, default=1000, metavar="N", help=help_text)
    told = report.parse(argv)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        workspace = told.workspace
        if workspace is None:
            workspace = folder / "shop"
            workspace.mkdir()
            for step in (["import", str(DEMO / "tables"), "--shop", "demo"], ["learn"]):
                subprocess.run(strikeoff(workspace, *step), check=True, capture_output=True)
        own = Path(shutil.copytree(workspace, folder / "own"))
        shutil.copy(DEMO / "next_week.csv", own / "datasets" / "demo" / "week.csv")
        rows: dict[str, dict[str, float | str]] = {}
        with served(own) as (address, pid, first_s):
            asked(address, questions()[0])
            before = cpu_s(pid)
            took = [asked(address, path)[0] for path in questions()[1:]]
            spent = 1000 * (cpu_s(pid) - before) / len(took)
            rows["changed control"] = {**quantiles(took), "CPU ms": spent}
            took = [asked(address, path)[0] for path in questions()]
            rows["changed back"] = quantiles(took)
            alone = {path: asked(address, path)[1] for path in fresh_questions()}
        with served(own) as (address, pid, _):
            asked(address, questions()[0])
            learning = Learning(Workspace(own))  # as *Progress* starts it
            learning.begin("demo", "--refit")
            took, lost, wrong = at_once(address, alone)
            busy = learning.running
            rows["ten at once"] = {**quantiles(took), "lost": lost, "wrong": wrong}
            learning._run.kill()  # it has served: it stands back, and may take long
            weights = {}
            linked = sum(len(asked(address, path)[1].encode()) for path in LINKED)
            for path in (*PLACES, f"{questions()[0]}&why=1&beside=base_off&beside=finer"):
                seconds, text = asked(address, path)
                weights[path.split("?")[0]] = {
                    "ms": 1000 * seconds,
                    "kB": (len(text.encode()) + linked) / 1000,
                }
            taps = taps_to_a_verdict(address)
        report.say(f"First page after the command: {first_s:.1f} s.")
        report.say(
            "Taps from an empty Ask to a verdict on bright red, black tee, usual base: "
            f"{'no browser to count them' if taps is None else taps}."
        )
        large: dict[str, dict[str, float]] = {}
        if told.inks:
            many = with_many_inks(workspace, folder, told.inks)
            with_a_long_week(many, SETUPS)
            with served(many) as (address, pid, many_s):
                new_s = told_of(address, f"{INKS[0]} 1")
                for path in (*ON_A_SHELF, "/today/"):
                    seconds, _ = asked(address, path)
                    with urlopen(address + path) as reply:  # with the names to pick from
                        whole = len(reply.read())
                    again = min(asked(address, path)[0] for _ in range(3))
                    large[path] = {
                        "ms": 1000 * seconds,
                        "again ms": 1000 * again,
                        "kB": (whole + linked) / 1000,
                    }
                report.say(
                    f"With {told.inks} inks: first page {many_s:.1f} s after the command, the new "
                    f"ones {new_s:.1f} s later; {most_mb(pid):.0f} MB at the most."
                )
    report.table("Asking", rows)
    report.table("Pages, with what they link to", weights)
    if large:
        report.table(f"With {told.inks} inks and a week of {SETUPS} set-ups", large)
    if not busy:
        report.say("learn was done before the ten browsers were.")
    report.record()
    return 0 if lost == wrong == 0 else 1


if __name__ == "__main__":
    raise SystemExit(main())
