"""Ours beside scikit-learn's own Gaussian process and boosted trees: same rows, same features.

``python -m tests.benchmarks.side_by_side [--recipe ...] [--seed N]``. Every engine runs in a
process of its own, which is timed (learning and predicting, without reading tables) and whose
peak memory is read; all are given the prints that ours kept.

* *ours*: `ShiftModel`;
* *GP*: `GaussianProcessRegressor`, constant times Matern 5/2 plus white noise, a channel at a
  time; *GP, length a column*: the same with a length scale for every column but the lots', its
  search cut off after `STEPS` steps (each builds a (rows, rows, columns) array);
* *trees*: `HistGradientBoostingRegressor(loss="quantile")` at 5, 50 and 95 %;
* *physics + ...*: the same engines told the physics' Lab, film and ground of every print, and
  asked only for what the calibrated physics leaves over.

Features are `Encoder.process`: numbers scaled, gaps filled with the median for the GP (trees
take gaps), levels as one column each.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize

from learn.fit.linearisation import GROUND_SCALES
from learn.normal import Z90
from learn.predict.model import ShiftModel
from pipelines.workspace.progress import Progress
from tests.benchmarks.measures import bands, colours, interval_summary, summary
from tests.benchmarks.results import Report
from tests.benchmarks.shops import add_shop_options, folder_of, kinds, tables

Array = NDArray[np.floating]

LEVELS = ["ink", "base_ink", "lot", "press", "substrate", "fibre", "ink_type"]
PHYSICS = [*GROUND_SCALES, "physics_L", "physics_a", "physics_b"]
PHYSICS_LAB = PHYSICS[-3:]
TAILS = (0.05, 0.5, 0.95)
STEPS = 12


def one_hot(past: pd.DataFrame, X: pd.DataFrame, levels: list[str]) -> tuple[Array, Array]:
    """Numbers and a column a level, of both frames; a level never seen is all zeros."""
    numbers = [c for c in past.select_dtypes("number") if past[c].max() > past[c].min()]
    middle = past[numbers].median()
    names = {c: sorted(past[c].dropna().unique()) for c in levels}

    def encoded(frame: pd.DataFrame) -> Array:
        parts = [frame[numbers].fillna(middle).to_numpy(float)]
        parts += [frame[c].to_numpy()[:, None] == np.array(names[c], object) for c in levels]
        return np.hstack([np.asarray(part, float) for part in parts])

    return encoded(past), encoded(X)


def _few_steps(objective, start: Array, bounds: Array) -> tuple[Array, float]:
    """scikit-learn's usual search of hyper-parameters, cut off."""
    found = minimize(
        objective, start, method="L-BFGS-B", jac=True, bounds=bounds, options={"maxiter": STEPS}
    )
    return found.x, found.fun


def gaussian_process(
    past: pd.DataFrame, y: Array, X: pd.DataFrame, by_column: bool = False
) -> tuple[Array, Array, Array]:
    """Median and ends of the 90 % band, (n, 3) each, by scikit-learn's regressor."""
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

    warnings.simplefilter("ignore")  # of length scales at their bounds
    a, b = one_hot(past, X, [c for c in LEVELS if not (by_column and c == "lot")])
    mean, sd = np.empty((len(X), 3)), np.empty((len(X), 3))
    for c in range(3):
        length = np.full(a.shape[1], 3.0) if by_column else 3.0
        kernel = ConstantKernel(4.0) * Matern(length, (0.1, 1e3), nu=2.5) + WhiteKernel(0.05)
        search = _few_steps if by_column else "fmin_l_bfgs_b"
        gp = GaussianProcessRegressor(kernel, optimizer=search, normalize_y=True, random_state=0)
        gp.fit(a, y[:, c])
        mean[:, c], sd[:, c] = gp.predict(b, return_std=True)
    return mean, mean - Z90 * sd, mean + Z90 * sd


def boosted_trees(past: pd.DataFrame, y: Array, X: pd.DataFrame) -> tuple[Array, Array, Array]:
    """The same by boosted trees, a quantile and a channel at a time."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    numbers = [c for c in past.select_dtypes("number") if past[c].max() > past[c].min()]
    codes = {c: pd.Index(sorted(past[c].dropna().unique())) for c in LEVELS}

    def table(frame: pd.DataFrame) -> Array:
        coded = [codes[c].get_indexer(frame[c]).astype(float) for c in LEVELS if len(codes[c])]
        coded = [np.where(v < 0, np.nan, v) for v in coded]
        return np.column_stack([frame[numbers].to_numpy(float), *coded])

    def quantile(q: float, c: int) -> Array:
        trees = HistGradientBoostingRegressor(
            loss="quantile", quantile=q, max_iter=200, learning_rate=0.06, random_state=0
        )
        return trees.fit(table(past), y[:, c]).predict(table(X))

    lo, mid, hi = (np.column_stack([quantile(q, c) for c in range(3)]) for q in TAILS)
    return mid, lo, hi


ENGINES = {
    "GP": gaussian_process,
    "GP, length a column": lambda *args: gaussian_process(*args, by_column=True),
    "trees": boosted_trees,
}


def ours(folder: Path, keep_at: Path) -> dict[str, object]:
    """Our model's lines; leaves rows and features for the others at ``keep_at``."""
    shop = tables(folder)
    started = time.perf_counter()
    model = ShiftModel().fit(shop)
    held = {kind: prints for kind, prints, _ in kinds(folder, shop)}
    said = {kind: colours(model, prints) for kind, prints in held.items()}
    took, peak = time.perf_counter() - started, peak_mb()
    physics = model.physics_alone()
    kept = model.prints_[model.keep_].reset_index(drop=True)
    told(physics, kept).to_csv(keep_at / "past.csv", index=False)
    np.save(keep_at / "lab.npy", model.lab_[model.keep_])
    for kind, prints in held.items():
        told(physics, prints.setups).to_csv(keep_at / f"{kind}.csv", index=False)
    lines = {kind: summary(bands(said[kind], prints)) for kind, prints in held.items()}
    return {"lines": lines, "seconds": took, "MB": peak}


def told(physics: ShiftModel, setups: pd.DataFrame) -> pd.DataFrame:
    """Features of set-ups, with what the physics says of them in the columns `PHYSICS`."""
    lab = pd.DataFrame(physics.predict_lab(setups).mean, columns=PHYSICS_LAB)
    return physics.features(setups).drop(columns=["job", "mesh"]).join(lab)


def theirs(name: str, folder: Path, kept_at: Path) -> dict[str, object]:
    """Another engine's lines, on the rows and features that ours left."""
    engine = ENGINES[name.removeprefix("physics + ")]
    on_physics = name.startswith("physics + ")
    held = {kind: prints for kind, prints, _ in kinds(folder, tables(folder))}
    past, *asked = (
        pd.read_csv(kept_at / f"{name}.csv", dtype=dict.fromkeys(LEVELS, object))
        for name in ("past", *held)
    )
    lab = np.load(kept_at / "lab.npy")
    X = pd.concat(asked, ignore_index=True)
    begins, offset = np.zeros((len(past), 3)), np.zeros((len(X), 3))
    if on_physics:
        begins, offset = past[PHYSICS_LAB].to_numpy(), X[PHYSICS_LAB].to_numpy()
        # colours as a length scale of 1 takes them
        past, X = (f.assign(**{c: f[c] / 25.0 for c in PHYSICS_LAB}) for f in (past, X))
    else:
        past, X = past.drop(columns=PHYSICS), X.drop(columns=PHYSICS)
    started = time.perf_counter()
    said = [values + offset for values in engine(past, lab - begins, X)]
    took, peak = time.perf_counter() - started, peak_mb()
    ends = np.cumsum([len(frame) for frame in asked])[:-1]
    split = zip(held.items(), *(np.split(values, ends) for values in said), strict=True)
    lines = {k: interval_summary(*three, prints) for (k, prints), *three in split}
    return {"lines": lines, "seconds": took, "MB": peak}


def peak_mb() -> float:
    """Peak memory of this process, MB (Linux counts it in kilobytes)."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def in_own_process(engine: str, folder: Path, kept_at: Path) -> dict:
    """One engine's result."""
    command = [sys.executable, "-m", "tests.benchmarks.side_by_side"]
    command += ["--engine", engine, "--folder", str(folder), "--kept-at", str(kept_at)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True, env=os.environ)
    return json.loads(done.stdout.splitlines()[-1])


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("side_by_side", __doc__)
    parser = report.parser
    add_shop_options(parser)
    for name in ("--engine", "--folder", "--kept-at"):  # how this program calls itself
        parser.add_argument(name, help=argparse.SUPPRESS)
    arguments = report.parse(argv)
    if arguments.engine:
        folder, kept_at = Path(arguments.folder), Path(arguments.kept_at)
        one = arguments.engine
        found = ours(folder, kept_at) if one == "ours" else theirs(one, folder, kept_at)
        print(json.dumps(found))
        return 0
    progress = Progress()
    folder = folder_of(arguments.recipe, arguments.seed)
    cost, lines = {}, {}
    with tempfile.TemporaryDirectory() as kept_at:
        for engine in ["ours", *ENGINES, *(f"physics + {name}" for name in ENGINES)]:
            progress(engine)
            found = in_own_process(engine, folder, Path(kept_at))
            cost[engine] = {"seconds": found["seconds"], "MB": found["MB"]}
            lines[engine] = found["lines"]
    for column in ("dE00", "cover %", "width"):
        rows = {k: {e: lines[e][k][column] for e in lines} for k in lines["ours"]}
        report.table(f"{arguments.recipe}, seed {arguments.seed}: {column}", rows)
    report.table("Learning and predicting", cost)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
