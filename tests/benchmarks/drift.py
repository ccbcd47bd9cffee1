"""Drift on invented shops: delay to detection, false alarms, whether the bands hold.

``python -m tests.benchmarks.drift [--seed N ...]``: the medium shop, whose press P2 lays ever
more film from a known day, and the same shop with no press drifting. Two years of prints, then
the later period as it comes in; the model has learnt from the two years. An alarm is true if
its press drifts, or its lot is at least `TRUE_LOT` stronger or weaker than the ink's lots before.
On each steady shop, errors are then drawn anew as the model has them: how often charts rise for
nothing, how soon a step of one press is seen, and how long it is told once it is put right.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.demo.recipe import MEDIUM, Recipe
from datasets.demo.world import DRIFT_PER_DAY, DRIFT_START_DAY, FIRST_DAY, World
from learn.monitoring.cusum import FALSE_ALARMS, KINDS, SHIFT, cusum, drifts, threshold
from learn.monitoring.innovations import Stream, one_step_ahead
from learn.physics.drawdowns import lab_columns
from learn.predict.model import ShiftModel
from pipelines.workspace.progress import Progress
from tests.benchmarks.results import Report
from tests.benchmarks.shops import folder_of, kept, kinds, tables

SEEDS = (101, 102, 103)
TRUE_LOT = 0.02
RUNS = 150
STEPPED, PUT_RIGHT = "P2", 15  # press and percent of the steps planted
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
        stream.frame[:n], stream.root[:m, :m], stream.white[:m], stream.along[:n], stream.unit[:n]
    )


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("drift", __doc__)
    report.parser.add_argument("--seed", type=int, nargs="*", default=SEEDS)
    seeds = report.parse(argv).seed
    told, seen, steady, steps, put_right = ({} for _ in range(5))
    for seed in seeds:
        for recipe in (MEDIUM, replace(MEDIUM, drifting_press=None)):
            world, stream = World(recipe, seed), stream_of(recipe, seed)
            shop = f"seed {seed}, {recipe.drifting_press or 'nothing'} drifting"
            end = (stream.frame["date"].max() - FIRST_DAY).days
            found = _told(stream, lambda c, lv, world=world, end=end: truth(c, lv, end, world))
            told |= {f"{shop}: {level}": row for level, row in found.items()}
            if recipe.drifting_press is None:
                false = sum(row["true"] == "none" for row in found.values())
                z = stream.frame["film_error"] / stream.frame["film_sd"]
                row = {"n": len(z), "false alarms": false, "sd of errors": z.std()}
                steady[shop] = row | {"drawn anew, a 1,000 prints": _for_nothing(stream)}
                steps |= {f"{shop}: {step}": row for step, row in _steps(stream).items()}
                put_right[shop] = _put_right(stream)
            else:
                seen[shop] = _delay(stream, recipe.drifting_press)
    report.table("Told at the end of the later period, %", told)
    report.table("When the drifting press was seen first", seen)
    report.table(f"Charts that rise for nothing ({FALSE_ALARMS:g} in 1,000 prints stated)", steady)
    report.table(f"A step of press {STEPPED}, errors drawn anew", steps)
    of = f"of {RUNS // 3}, so many of its prints later"
    report.table(
        f"{PUT_RIGHT} % more film of press {STEPPED}, put right: still told, {of}", put_right
    )
    report.record()
    return 0


def _told(stream: Stream, truth_of: Callable[[str, str], float | None]) -> dict[str, dict]:
    """What is told, beside the truth."""
    rows = {}
    for row in drifts(stream).itertuples():
        true = truth_of(row.cause, row.level)
        rows[f"{row.cause} {row.level}"] = {
            "told": f"{row.percent:+.1f} ({row.lo:+.1f} to {row.hi:+.1f})",
            "true": "none" if true is None else f"{true:+.1f}",
            "since": f"{row.since:%d %b %Y} ({row.since_lo:%d %b} to {row.since_hi:%d %b})",
        }
    return rows


def _for_nothing(stream: Stream) -> float:
    """Charts in 1,000 prints that rise with errors drawn from the model."""
    rng = np.random.default_rng(0)
    drawn = (rng.standard_normal(stream.white.size) for _ in range(RUNS))
    alarms = sum(risen(replace(stream, white=white)) for white in drawn)
    return 1000 * alarms / RUNS / len(stream.frame)


def _later(stream: Stream) -> NDArray[np.bool_]:
    """Prints of press `STEPPED` in the later half of the history."""
    date = stream.frame["date"]
    return ((stream.frame["press"] == STEPPED) & (date >= date.iloc[len(date) // 2])).to_numpy()


def _steps(stream: Stream) -> dict[str, dict[str, float]]:
    """How soon planted steps are seen, with errors drawn from the model."""
    rng, hit, rows = np.random.default_rng(1), _later(stream), {}
    for percent in (5, 10, 15):
        made = stream.respond(np.log1p(percent / 100) * hit[:, None].astype(float))[:, 0]
        delays, held = [], []
        for _ in range(RUNS // 3):
            white = rng.standard_normal(stream.white.size) + made
            for row in _of_press(drifts(replace(stream, white=white)), STEPPED).itertuples():
                before = (stream.frame["date"] <= row.alarm).to_numpy()
                delays.append(int((hit & before).sum()))
                held.append(row.lo <= percent <= row.hi)
        rows[f"{percent} % more"] = {
            "runs": RUNS // 3,
            "seen": len(held),
            "after prints (median)": float(np.median(delays)),
            "bands held %": 100 * np.mean(held),
        }
    return rows


def _put_right(stream: Stream) -> dict[str, int]:
    """How often a step that was put right is still told, so many prints of the press later."""
    rng, hit = np.random.default_rng(2), _later(stream)
    wrong = hit & (np.cumsum(hit) <= hit.sum() // 2)
    made = stream.respond(np.log1p(PUT_RIGHT / 100) * wrong[:, None].astype(float))[:, 0]
    ends = np.flatnonzero(hit & ~wrong)[19::20] + 1
    told = np.zeros(len(ends), int)
    for _ in range(RUNS // 3):
        drawn = replace(stream, white=rng.standard_normal(stream.white.size) + made)
        told += [bool(len(_of_press(drifts(cut(drawn, n)), STEPPED))) for n in ends]
    return {str(20 * i): int(n) for i, n in enumerate(told, start=1)}


def _of_press(found: pd.DataFrame, press: str) -> pd.DataFrame:
    return found[(found["cause"] == "press") & (found["level"] == press)]


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


def _delay(stream: Stream, press: str) -> dict[str, float | str]:
    """When the drift was seen first, looking again and again as prints came in."""
    day = (stream.frame["date"] - FIRST_DAY).dt.days
    start = int((day < DRIFT_START_DAY).sum())
    for n in np.linspace(start, len(day), LOOKS + 1).round().astype(int):
        mine = _of_press(drifts(cut(stream, n)), press)
        if len(mine):
            row, days = mine.iloc[0], int(day.iloc[n - 1]) - DRIFT_START_DAY
            return {
                "days": days,
                "its prints": int((stream.frame["press"][start:n] == press).sum()),
                "true then": f"{100 * DRIFT_PER_DAY * days:.1f}",
                "told then": f"{row['percent']:+.1f} ({row['lo']:+.1f} to {row['hi']:+.1f})",
            }
    return {"told then": "not seen"}


if __name__ == "__main__":
    raise SystemExit(main())
