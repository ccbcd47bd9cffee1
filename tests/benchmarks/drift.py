"""Drift on invented shops: delay to detection, false alarms, whether the bands hold.

``python -m tests.benchmarks.drift [--seed N ...]``: the medium shop, whose press P2 lays ever
more film from a known day, and the same shop with no press drifting. Two years of prints, then
the later period as it comes in; the model has learnt from the two years. An alarm is true if
its press drifts, or its lot is at least `TRUE_LOT` stronger or weaker than the ink's lots before.
On each steady shop, errors are then drawn anew as the model has them: how often charts rise for
nothing, how soon a step of one press is seen, and how long it is told once it is put right.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np
import pandas as pd

from datasets.demo.recipe import MEDIUM, Recipe
from datasets.demo.world import DRIFT_PER_DAY, DRIFT_START_DAY, FIRST_DAY, World
from learn.monitoring.cusum import FALSE_ALARMS, KINDS, SHIFT, cusum, drifts, threshold
from learn.monitoring.innovations import Stream, one_step_ahead
from learn.physics.drawdowns import lab_columns
from learn.predict.model import ShiftModel
from pipelines.workspace.progress import Progress
from tests.benchmarks.shops import folder_of, kept, kinds, tables

SEEDS = (101, 102, 103)
TRUE_LOT = 0.02
RUNS = 150
LOOKS = 12  # times the later period is looked at as it comes in


def stream_of(recipe: Recipe, seed: int) -> Stream:
    """Forecast errors of the history and the later period by a model of the history."""
    drifting = recipe.drifting_press is not None
    folder = folder_of("medium", seed) if drifting else kept(f"steady-{seed}", recipe, seed)
    shop = tables(folder)
    model = ShiftModel().fit(shop, progress=Progress())
    later = next(held for kind, held, _ in kinds(folder, shop) if kind == "later_period")
    past = model.prints_[model.keep_]
    prints = pd.concat([past, later.setups.rename(columns={"setup_id": "print_id"})])
    lab = np.vstack([lab_columns(past, model.viewing_), later.measured])
    return one_step_ahead(model, prints.reset_index(drop=True), lab)


def truth(cause: str, level: str, day: float, world: World) -> float | None:
    """True change of film or strength in percent, None where there is none."""
    if cause == "press" and level == world.recipe.drifting_press:
        return 100 * DRIFT_PER_DAY * max(0.0, day - DRIFT_START_DAY)
    if cause == "lot":
        ink, lot = level.split(", lot ")
        strength = np.log(world.inks[ink].lot_strength[: int(lot[-2:])])
        change = strength[-1] - strength[:-1].mean() if len(strength) > 1 else 0.0
        return 100 * change if abs(change) >= TRUE_LOT else None
    return None


def cut(stream: Stream, n: int) -> Stream:
    """The first ``n`` prints: what was known then."""
    m = 3 * n
    return Stream(
        stream.frame[:n], stream.root[:m, :m], stream.own[:m, :m], stream.white[:m],
        stream.along[:n],
    )  # fmt: skip


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, nargs="*", default=SEEDS)
    seeds = parser.parse_args(argv).seed
    prints = false = 0
    for seed in seeds:
        for recipe in (MEDIUM, replace(MEDIUM, drifting_press=None)):
            world, stream = World(recipe, seed), stream_of(recipe, seed)
            z = stream.frame["film_error"] / stream.frame["film_sd"]
            started = time.perf_counter()
            found = drifts(stream)
            took = time.perf_counter() - started
            print(f"\nseed {seed}, drifting {recipe.drifting_press}: {len(z)} prints, sd of z "
                  f"{z.std():.2f}, {took:.1f} s")  # fmt: skip
            end = (stream.frame["date"].max() - FIRST_DAY).days
            wrong = 0
            for row in found.itertuples():
                true = truth(row.cause, row.level, end, world)
                wrong += true is None
                print(f"  {row.cause} {row.level}: {row.percent:+.1f} % ({row.lo:+.1f} to "
                      f"{row.hi:+.1f}) since {row.since:%d %b %Y} ({row.since_lo:%d %b} to "
                      f"{row.since_hi:%d %b}); true "
                      f"{'none' if true is None else f'{true:+.1f} %'}")  # fmt: skip
            if recipe.drifting_press is None:
                prints, false = prints + len(z), false + wrong
                _simulated(stream)
            else:
                _delay(stream, recipe.drifting_press)
    if prints:
        print(f"\nFalse alarms on steady shops: {false} in {prints} prints, "
              f"{1000 * false / prints:.2f} per 1,000; stated {FALSE_ALARMS:g}")  # fmt: skip
    return 0


def _simulated(stream: Stream, press: str = "P2") -> None:
    """False alarms, and delays to planted steps, with errors drawn from the model."""
    rng, frame = np.random.default_rng(0), stream.frame
    alarms = 0
    for _ in range(RUNS):
        drawn = replace(stream, white=rng.standard_normal(stream.white.size))
        alarms += risen(drawn)
    rate = 1000 * alarms / RUNS / len(frame)
    print(f"  drawn anew: {rate:.2f} charts in 1,000 prints rise for nothing")
    own = (frame["press"] == press).to_numpy()
    start = frame["date"].iloc[len(frame) // 2]
    hit = own & (frame["date"] >= start).to_numpy()
    for percent in (5, 10, 15):
        made = stream.respond(np.log1p(percent / 100) * hit[:, None].astype(float))[:, 0]
        delays, held = [], []
        for _ in range(RUNS // 3):
            white = rng.standard_normal(stream.white.size) + made
            found = drifts(replace(stream, white=white))
            for row in found[(found["cause"] == "press") & (found["level"] == press)].itertuples():
                delays.append(int((hit & (frame["date"] <= row.alarm).to_numpy()).sum()))
                held.append(row.lo <= percent <= row.hi)
        print(f"  {press} lays {percent} % more, drawn anew: seen {len(held)} of {RUNS // 3}, "
              f"after {np.median(delays):.0f} of its prints (median); bands held "
              f"{100 * np.mean(held):.0f} %")  # fmt: skip
    _put_right(stream, press, hit, rng)


def _put_right(
    stream: Stream, press: str, hit: np.ndarray, rng: np.random.Generator, percent: float = 15.0
) -> None:
    """How often a step that was put right is still told, so many prints of the press later."""
    wrong = hit & (np.cumsum(hit) <= hit.sum() // 2)
    made = stream.respond(np.log1p(percent / 100) * wrong[:, None].astype(float))[:, 0]
    ends = np.flatnonzero(hit & ~wrong)[19::20] + 1
    told = np.zeros(len(ends), int)
    for _ in range(RUNS // 3):
        drawn = replace(stream, white=rng.standard_normal(stream.white.size) + made)
        for i, n in enumerate(ends):
            found = drifts(cut(drawn, n))
            told[i] += ((found["cause"] == "press") & (found["level"] == press)).any()
    after = ", ".join(f"{n} after {20 * i}" for i, n in enumerate(told, start=1))
    print(f"  {press} lays {percent:.0f} % more over {wrong.sum()} prints and is put right: still "
          f"told in {after} of its prints, of {RUNS // 3}")  # fmt: skip


def risen(stream: Stream) -> int:
    """Charts that ever rose over their limit."""
    error, sd = stream.film_error(stream.white)
    n = 0
    for kind in KINDS:
        levels = stream.frame[kind] if kind != "shop" else pd.Series("", stream.frame.index)
        each = FALSE_ALARMS * len(levels) / 1000 / len(KINDS)
        known = levels.notna().to_numpy()
        limit = threshold(SHIFT / sd[known], each)
        n += sum(
            bool((cusum(error[rows], sd[rows]) > limit).any())
            for rows in (np.flatnonzero(levels == level) for level in levels[known].unique())
        )
    return n


def _delay(stream: Stream, press: str) -> None:
    """When the drift was seen first, looking again and again as prints came in."""
    day = (stream.frame["date"] - FIRST_DAY).dt.days
    start = int((day < DRIFT_START_DAY).sum())
    for n in np.linspace(start, len(day), LOOKS + 1).round().astype(int):
        found = drifts(cut(stream, n))
        mine = found[(found["cause"] == "press") & (found["level"] == press)]
        if len(mine):
            row, at = mine.iloc[0], day.iloc[n - 1]
            by_it = (stream.frame["press"][start:n] == press).sum()
            print(f"  seen {at - DRIFT_START_DAY} days and {by_it} prints of {press} after it "
                  f"began, at {100 * DRIFT_PER_DAY * (at - DRIFT_START_DAY):.1f} % true: "
                  f"{row['percent']:+.1f} % ({row['lo']:+.1f} to {row['hi']:+.1f})")  # fmt: skip
            return
    print(f"  drift of {press} not seen")


if __name__ == "__main__":
    raise SystemExit(main())
