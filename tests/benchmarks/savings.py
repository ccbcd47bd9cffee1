"""What a test print is said to save, and what it saves once printed.

``python -m tests.benchmarks.savings [--part choose|check|last] [--shops N] [--weeks N]
[--workers N] [--out FILE]``. Weeks of open jobs on shops of the second family (`tests.worlds`):
some of an ink never printed, of one printed once to three times, of a lot and of garments never
printed, and some of the usual run. Their targets lie about what is predicted of them, as a plan
sets them. What ranks first (`learn.planning.next_test`) is printed by the shop's own laws, with
its noise, read, and learnt (`append`); beside it a job picked at random. Without a print nothing
is saved. Test prints of other jobs spared are counted over all that were asked for: a job is
spared when it goes straight on afterwards, and lost when it did before and does no longer. What is
saved counts besides what runs that go straight on are spoiled, by their true chance, at ten test
prints each; the test print itself is paid.

Columns: stated and real, mean a week; real over stated; the standard error of real less stated.
"""

from __future__ import annotations

import copy
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.planning.next_test import rank_tests
from learn.predict.causes import Verdict
from learn.predict.model import ShiftModel
from learn.shop import SETUP_COLUMNS, Shop
from tests.benchmarks.results import Report
from tests.worlds import tables
from tests.worlds.light import lab_of
from tests.worlds.parts import PARTS, Which
from tests.worlds.shop import KINDS, Drawn, draw_shop
from tests.worlds.world import chance_within

Array = NDArray[np.floating]

JOBS = {"ink_new": 6, "few_prints": 3, "lot_new": 3, "new_garment": 2, "next": 2}
OFF_SD = 0.6  # of a target in each of L, a, b
TOLERANCES = (2.0, 3.0, 4.0)  # of a week
SPOILED = 10.0  # test prints, as a confidence of nine in ten has it
WEEKS = 12


class Week:
    """Open jobs, what stood on the press, and what is predicted of them."""

    def __init__(
        self, drawn: Drawn, shop: Shop, model: ShiftModel, rng: np.random.Generator
    ) -> None:
        self.drawn, self.shop, self.model, self.rng = drawn, shop, model, rng
        frames, typed = [], []
        for kind, n in JOBS.items():
            query = drawn.queries[kind]
            at = rng.choice(len(query), n, replace=False)
            frames.append(query.setups.iloc[at])
            typed.append(tables.read_query(drawn, shop, query).iloc[at].assign(kind=kind))
        self.frame = pd.concat(frames, ignore_index=True)
        jobs = pd.concat(typed, ignore_index=True)
        # each a job of its own, on one day: nobody has printed tomorrow's before today's
        n, day = len(jobs), drawn.history["day"].max() + 1
        self.frame = self.frame.assign(day=day, job=900_000 + np.arange(n))
        jobs["setup_id"] = [f"S{i}" for i in range(n)]
        jobs["job_id"] = [f"W{i}" for i in range(n)]
        jobs["printed_on"] = tables.FIRST_DAY + pd.Timedelta(days=float(day))
        jobs["tolerance_dE00"] = rng.choice(TOLERANCES)
        target = model.means(jobs) + OFF_SD * rng.normal(size=(n, 3))
        target[:, 0] = np.clip(target[:, 0], 1.0, 99.0)
        jobs[["target_L", "target_a", "target_b"]] = target
        self.jobs = jobs
        prints = drawn.world.next_prints(self.frame)
        self.missed = 1 - chance_within(prints, target, float(jobs["tolerance_dE00"].iloc[0]))

    def tried(self) -> list[dict[str, Any]]:
        """What the first of the ranking and a job at random were said to save, and do."""
        ranked = rank_tests(self.model, self.jobs).set_index("setup_id")
        before = self.model.predict(self.jobs)
        random = self.jobs["setup_id"].iloc[self.rng.integers(len(self.jobs))]
        return [
            {"way": way, **self._printed(one, ranked.loc[one], before)}
            for way, one in (("first of the ranking", ranked.index[0]), ("at random", random))
        ]

    def _printed(self, one: str, said: pd.Series, before: pd.DataFrame) -> dict[str, Any]:
        at = int(np.flatnonzero(self.jobs["setup_id"] == one)[0])
        read = lab_of(self.drawn.world.measure(self.rng, self.frame.iloc[[at]]))
        row = self.jobs.iloc[[at]].reindex(columns=SETUP_COLUMNS)
        row = row.assign(print_id="TEST", **dict(zip("Lab", read.T, strict=True)))
        prints = pd.concat([self.shop.prints, row], ignore_index=True)
        after = copy.copy(self.model).append(replace(self.shop, prints=prints)).predict(self.jobs)
        others = np.arange(len(self.jobs)) != at
        then, now = (one["verdict"].to_numpy() for one in (before, after))
        asked = others & (then != Verdict.CHANGE)
        spared = (now == Verdict.GO)[asked].sum() - (then == Verdict.GO)[asked].sum()
        cost_then, cost_now = (
            np.where(v == Verdict.GO, SPOILED * self.missed, 1.0) for v in (then, now)
        )
        if then[at] != Verdict.CHANGE:
            cost_now[at] = 0.0
        return {
            "kind": self.jobs["kind"].iloc[at],
            "tolerance": self.jobs["tolerance_dE00"].iloc[0],
            "asked for": int((then == Verdict.TEST).sum()),
            "stated spared": said["spared"],
            "real spared": float(spared),
            "stated saving": said["saving"],
            "real saving": float((cost_then - cost_now).sum() - 1.0),
        }


def of_shop(which: Which, weeks: int) -> pd.DataFrame:
    """A row a week and way of choosing."""
    drawn = draw_shop(*which)
    shop = tables.read(drawn)
    model = ShiftModel(n_jobs=1).fit(shop)
    rng = np.random.default_rng([*which[:2], 1405])
    rows = [row for _ in range(weeks) for row in Week(drawn, shop, model, rng).tried()]
    return pd.DataFrame(rows).assign(shop=which.seed, **{"shop kind": which.kind})


def stated_and_real(rows: pd.DataFrame, what: str) -> dict[str, float]:
    """Means over weeks of ``what``."""
    stated, real = rows[f"stated {what}"], rows[f"real {what}"]
    off = real - stated
    return {
        f"{what} stated": stated.mean(),
        "real": real.mean(),
        "real / stated": real.mean() / stated.mean(),
        "give or take": off.std(ddof=1) / np.sqrt(len(off)),
    }


def tell(rows: pd.DataFrame, report: Report) -> None:
    """The figures, by kind of shop and over all."""
    for what in ("spared", "saving"):
        table = {
            f"{kind}, {way}": {
                "weeks": len(some),
                "asked for": some["asked for"].mean(),
                **stated_and_real(some, what),
            }
            for kind, own in [*rows.groupby("shop kind", sort=False), ("all", rows)]
            for way, some in own.groupby("way", sort=False)
        }
        report.table(f"Test prints {what}, a week of {sum(JOBS.values())} jobs", table)


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("savings", __doc__)
    parser = report.parser
    parser.add_argument("--part", choices=PARTS, default="choose")
    parser.add_argument("--shops", type=int, help="of each kind of shop (default: all)")
    parser.add_argument("--weeks", type=int, default=WEEKS, help="of each shop")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, help="CSV, a row a week and way")
    asked = report.parse(argv)
    from joblib import Parallel, delayed

    shops = [
        which
        for kind in KINDS
        for which in [w for w in PARTS[asked.part] if w.kind == kind][: asked.shops]
    ]
    found = Parallel(n_jobs=asked.workers)(delayed(of_shop)(w, asked.weeks) for w in shops)
    rows = pd.concat(found, ignore_index=True)
    if asked.out:
        rows.to_csv(asked.out, index=False)
    tell(rows, report)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
