"""Does the test print that is said to save most do so?

``python -m tests.benchmarks.teaching --seed N``: a week of jobs with inks never printed or printed
once to three times, each to be run at a set-up whose true colour lies near its target. Test prints
are pulled one by one - by expected saving, by the widest band, at random - and each is
learnt by one Gaussian update. After each the week's cost is counted as it would turn out: jobs
that go straight on cost a spoiled run where their print misses, all others cost a test print.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd

from learn.colorimetry import delta_e00
from learn.decision import chance_needed
from learn.shift import ShiftModel
from learn.teaching import belief, condition, rank
from pipelines.progress import Progress
from tests.benchmarks.shops import folder_of, kinds, tables

JOBS, TESTS, WEEKS = 24, 8, 12
WAYS = ("by saving", "widest band", "at random")


def week(model: ShiftModel, folder: Path, shop, rng: np.random.Generator) -> pd.DataFrame:
    """Cost after 0 .. TESTS test prints by each way of choosing."""
    held = {name: prints for name, prints, _ in kinds(folder, shop)}
    picked = [("unseen_ink", JOBS * 2 // 3), ("few_prints", JOBS // 3)]
    rows = {k: rng.choice(len(held[k].setups), n, replace=False) for k, n in picked}
    setups = pd.concat([held[k].setups.iloc[at] for k, at in rows.items()], ignore_index=True)
    true = np.concatenate([held[k].true[at] for k, at in rows.items()])
    reading = np.concatenate([held[k].measured[at] for k, at in rows.items()])
    target = true + 0.6 * rng.normal(size=true.shape)
    settings = model.settings_
    tolerance = np.full(len(setups), settings.tolerance_dE00)
    run = true + (reading - true)[rng.permutation(len(true))]  # the scatter of another print
    good = delta_e00(run, target) <= tolerance
    start = belief(model, setups)
    cost = pd.DataFrame(index=range(TESTS + 1), columns=WAYS, dtype=float)
    for way in WAYS:
        known, done = start, np.zeros(len(setups), bool)
        for k in range(TESTS + 1):
            worth = rank(known, target, tolerance, settings)
            go = worth.p >= chance_needed(settings)
            runs = np.where(go, ~good * settings.cost_spoiled_print, settings.cost_test_print)
            cost.loc[k, way] = runs.sum() + k * settings.cost_test_print
            value = {"by saving": worth.saving, "widest band": worth.sd}.get(
                way, rng.random(len(setups))
            )
            t = int(np.where(done, -np.inf, value).argmax())
            known, done[t] = condition(known, t, reading[t]), True
    return cost


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.teaching",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--seed", type=int, default=101, help="of the invented shop")
    arguments = parser.parse_args(argv)
    folder = folder_of("medium", arguments.seed)
    shop = tables(folder)
    model = ShiftModel().fit(shop, progress=Progress())
    print(figures(model, folder, shop, arguments.seed))
    return 0


def figures(model: ShiftModel, folder: Path, shop, seed: int) -> str:
    """Mean cost of a week after each test print, by each way."""
    rng = np.random.default_rng(seed)
    weeks = [week(model, folder, shop, rng) for _ in range(WEEKS)]
    mean = sum(weeks) / len(weeks)
    mean.index.name = "test prints"
    return mean.to_string(float_format="{:.0f}".format)


if __name__ == "__main__":
    raise SystemExit(main())
