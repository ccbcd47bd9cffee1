"""Does the test print that is said to save most do so?

``python -m tests.benchmarks.teaching --seed N ...``: weeks of jobs with inks never printed or
printed once to three times, each to be run at a set-up whose true colour lies near its target. Test
prints are pulled one by one - by expected saving, by the widest band, at random - until every job
goes ahead: straight on by its chance, or because its own test print was pulled. Each is learnt by
one Gaussian update. Told are the test prints it took until half, three in four and nine in ten of
the jobs went ahead, and all; the runs spoiled, as the scatter of the press would have it; and what
the week costs if the choosing stops after k test prints: jobs that go straight on cost a spoiled
run where they miss, others that were not tested a test print.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.difference import difference
from learn.planning.next_test import Spread, rank
from learn.planning.prospect import Prospect, spread_after
from learn.predict.model import ShiftModel
from learn.predict.verdict import ask_for_test
from learn.shop import Shop
from pipelines.workspace.progress import Progress
from tests.benchmarks.results import Report
from tests.benchmarks.shops import Held, folder_of, kinds, tables

Array = NDArray[np.floating]

JOBS, WEEKS, RUNS = 24, 20, 64
WAYS = ("by saving", "widest band", "at random")
SHARES = (50, 75, 90)  # % of the jobs
STOPS = (0, 1, 2, 4, 8)  # test prints


def week(model: ShiftModel, held: dict[str, Held], rng: np.random.Generator) -> pd.DataFrame:
    """Figures of one week, a row a way of choosing."""
    picked = [("unseen_ink", JOBS * 2 // 3), ("few_prints", JOBS // 3)]
    rows = {k: rng.choice(len(held[k].setups), n, replace=False) for k, n in picked}
    setups = pd.concat([held[k].setups.iloc[at] for k, at in rows.items()], ignore_index=True)
    true = np.concatenate([held[k].true[at] for k, at in rows.items()])
    reading = np.concatenate([held[k].measured[at] for k, at in rows.items()])
    target = true + 0.6 * rng.normal(size=true.shape)
    tolerance = np.full(len(setups), model.settings_.tolerance_dE00)
    runs = true[:, None] + (reading - true)[rng.integers(len(true), size=RUNS)]
    missed = (delta_e00(runs, target[:, None]) > tolerance[:, None]).mean(axis=1)
    start = Prospect.of(model, setups)
    return pd.DataFrame(
        {way: _pulled(model, way, setups, start, target, reading, missed, rng) for way in WAYS}
    ).T


def _pulled(
    model: ShiftModel,
    way: str,
    setups: pd.DataFrame,
    known: Prospect,
    target: Array,
    reading: Array,
    missed: Array,
    rng: np.random.Generator,
) -> dict[str, float]:
    """Test prints pulled until every job goes ahead; ``missed`` (n,) of its runs, a share."""
    settings, n = model.settings_, len(target)
    test, spoiled = settings.cost_test_print, settings.cost_spoiled_print
    at = np.arange(n)  # jobs without a test print of their own
    ahead, cost, lost = [], [], 0.0
    for k in range(n + 1):
        tolerance = np.full(len(at), settings.tolerance_dE00)
        jobs, done = setups.iloc[at], setups.drop(index=at)
        wide = model.spreads(jobs, [done])[0]
        now = known.now.widened(wide)
        own = now.own() + now.scatter
        asked = ask_for_test(difference(now.mean, own, target[at], tolerance).p_within, settings)
        lost = missed[at][~asked].sum()
        ahead.append(100 * (1 - asked.sum() / n))
        cost.append((k + asked.sum()) * test + lost * spoiled)
        if not asked.any():
            break
        if way == "by saving":
            settles = delta_e00(now.mean, target[at]) <= tolerance
            spread = Spread(wide, spread_after(model, jobs, done))
            value = rank(known, spread, target[at], tolerance, settings, settles).saving
        elif way == "widest band":
            value = np.sqrt(np.einsum("nii->ni", own)).mean(axis=1)
        else:
            value = rng.random(len(at))
        may = asked | (value > 0) if way == "by saving" else asked
        t = int(np.where(may, value, -np.inf).argmax())
        left = np.delete(np.arange(len(at)), t)
        known, at = known.after(t, reading[at[t]]).of_rows(left), at[left]
    found = {f"until {share} %": float(np.argmax(np.array(ahead) >= share)) for share in SHARES}
    found |= {"until all": len(cost) - 1.0, "spoiled": lost}
    return found | {f"cost after {k}": cost[min(k, len(cost) - 1)] for k in (*STOPS, n)}


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("teaching", __doc__)
    report.parser.add_argument(
        "--seed", type=int, nargs="+", default=[101], help="of invented shops"
    )
    weeks: list[pd.DataFrame] = []
    for seed in report.parse(argv).seed:
        folder = folder_of("medium", seed)
        shop = tables(folder)
        model = ShiftModel().fit(shop, progress=Progress())
        weeks += weeks_of(model, folder, shop, seed)
    tell(weeks, report)
    report.record()
    return 0


def weeks_of(model: ShiftModel, folder: Path, shop: Shop, seed: int) -> list[pd.DataFrame]:
    """Figures of every week of a shop."""
    rng = np.random.default_rng(seed)
    held = {name: prints for name, prints, _ in kinds(folder, shop)}
    return [week(model, held, rng) for _ in range(WEEKS)]


def tell(weeks: list[pd.DataFrame], report: Report) -> None:
    """Means over the weeks; and how much more than by saving, with the standard error."""
    mean = sum(weeks) / len(weeks)
    more = np.stack([one.to_numpy() - one.loc["by saving"].to_numpy() for one in weeks])
    error = more.std(axis=0, ddof=1) / np.sqrt(len(weeks))
    said = pd.DataFrame(more.mean(axis=0), mean.index, mean.columns).map("{:+.2f}".format)
    said += pd.DataFrame(error, mean.index, mean.columns).map(" +- {:.2f}".format)
    report.table(f"{len(weeks)} weeks of {JOBS} jobs: test prints and cost, mean", mean.T)
    beside = "More than by saving, mean over the weeks and its standard error"
    report.table(beside, said.drop(index="by saving").T)


if __name__ == "__main__":
    raise SystemExit(main())
