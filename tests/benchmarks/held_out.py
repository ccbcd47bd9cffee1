"""How good and how honest the predictions are, on prints the model never saw.

``python -m tests.benchmarks.held_out`` learns the demo shop once and predicts every kind of
held-out print; ``--seed N`` and ``--recipe ...`` invent another shop first, so that choices can
be made on other shops than the one whose figures are reported; ``--real`` takes real prints
instead (`tests.benchmarks.real`).

What is measured: `tests.benchmarks.measures`. A set-up is *waved through* when no test print is
asked for; it *held* when its measured colour lay within the shop's tolerance of its own
prediction. The *oracle* knows the true colour and the press's noise (`tests.benchmarks.oracle`).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.demo.recipe import RECIPES
from datasets.demo.world import World
from learn.predict.calibration import nearest_past_print
from learn.predict.model import ShiftModel
from learn.shop import Shop
from pipelines.workspace.progress import Progress
from tests.benchmarks.measures import (
    Answer,
    answer,
    bands,
    deciles,
    median_dE00,
    summary,
    verdicts,
)
from tests.benchmarks.oracle import waves_through
from tests.benchmarks.results import Report
from tests.benchmarks.shops import Held, add_shop_options, folder_of, kinds, tables

Array = NDArray[np.floating]
Tables = dict[str, dict[str, dict[str, float]]]  # title -> row -> column -> value


class Contest:
    """A shop learnt once, and everything that is compared on its held-out prints."""

    def __init__(self, shop: Shop, progress: Progress) -> None:
        self.shop = shop
        self.learnt = ShiftModel().fit(shop, progress=progress)
        progress("calibrating physics alone")
        self.physics = self.learnt.physics_alone()
        kept = self.learnt.keep_
        self.past = self.encoded(self.learnt.prints_[kept])
        self.past_lab = self.learnt.lab_[kept]

    def encoded(self, setups: pd.DataFrame) -> pd.DataFrame:
        """Features of set-ups without what the physics says of them."""
        encoder = self.learnt.encoder_
        return encoder.process(setups, encoder.layers(setups, list(encoder.inks.index)))

    def errors(self, held: Held, learnt: Answer) -> dict[str, float]:
        """Median dE00 of everything that predicts a colour."""
        X = self.encoded(held.setups)
        nearest = nearest_past_print(self.past, self.past_lab, X)
        trees = plain_regressor(*_without_gaps(self.past, self.past_lab, X))
        physics = bands(answer(self.physics, held), held)
        return {
            "n": len(held),
            "floor": np.nan if held.true is None else median_dE00(held.measured, held.true),
            "nearest": median_dE00(nearest, held.aim),
            "trees": median_dE00(trees, held.aim),
            "physics": float(np.median(physics["dE00"])),
            "learnt": median_dE00(learnt.mean, held.aim),
            "physics cover %": 100 * float(physics["inside"].mean()),
            "physics width": float(physics["width"].mean()),
        }


def plain_regressor(history: pd.DataFrame, lab: Array, setups: pd.DataFrame) -> Array:
    """Lab (n, 3) by boosted trees on the same features, without any physics."""
    from sklearn.ensemble import HistGradientBoostingRegressor  # slow to import

    numbers = history.select_dtypes("number").columns
    numbers = [c for c in numbers if history[c].notna().any()]
    levels = ["ink", "base_ink", "lot", "press", "substrate", "fibre"]
    codes = {c: pd.Index(sorted(history[c].dropna().unique())) for c in levels}

    def table(X: pd.DataFrame) -> Array:
        coded = [codes[c].get_indexer(X[c]).astype(float) for c in levels]
        coded = [np.where(v < 0, np.nan, v) for v in coded]
        return np.column_stack([X[numbers].to_numpy(float), *coded])

    def channel(y: Array) -> Array:
        trees = HistGradientBoostingRegressor(max_iter=300, learning_rate=0.06, random_state=0)
        return trees.fit(table(history), y).predict(table(setups))

    return np.column_stack([channel(lab[:, c]) for c in range(3)])


def _without_gaps(past: pd.DataFrame, lab: Array, X: pd.DataFrame) -> tuple:
    """The same with a constant in columns that no past print fills: trees cannot bin those."""
    empty = past.columns[past.isna().all()]
    constant = {c: 0.0 if pd.api.types.is_numeric_dtype(past[c]) else "-" for c in empty}
    return past.assign(**constant), lab, X.assign(**constant)


def tables_of(recipe: str, seed: int, progress: Progress) -> Tables:
    """A line a kind of held-out print of a generated shop, and a line a part of it."""
    progress(f"recipe {recipe}, seed {seed}")
    folder = folder_of(recipe, seed)
    shop = tables(folder)
    world = World(RECIPES[recipe], seed)
    contest = Contest(shop, progress)
    tolerance = shop.settings.tolerance_dE00
    errors, scores, pit, shares = {}, {}, {}, {}
    for kind, held, parts in kinds(folder, shop):
        progress(f"predicting {kind}")
        said = answer(contest.learnt, held)
        found = bands(said, held)
        oracle = waves_through(world, held.setups, held.true, shop.settings)
        errors[kind] = contest.errors(held, said)
        pit[kind] = deciles(found)
        everything = {kind: slice(None)}
        for name, rows in (everything | {f"  {p}": rows for p, rows in parts.items()}).items():
            scores[name] = summary(found, rows)
            shares[name] = verdicts(said, held, tolerance, oracle, rows)
    return {
        "median dE00 to the noise-free colour": errors,
        "error, 90 % bands, scores in Lab units": scores,
        "verdicts": shares,
        "share of L, a, b in each tenth of the forecast, %": pit,
    }


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("held_out", __doc__)
    parser = report.parser
    add_shop_options(parser)
    parser.add_argument("--real", action="store_true", help="real prints instead")
    parser.add_argument(
        "--paper",
        choices=("coated", "uncoated", "proof"),
        action="append",
        help="with --real: which table (default: coated and proof); may be repeated",
    )
    arguments, progress = report.parse(argv), Progress()
    if arguments.real:
        from tests.benchmarks.real import tables_of_paper

        found = {
            f"{paper} (real prints)": tables_of_paper(paper, progress)
            for paper in arguments.paper or ("coated", "proof")
        }
    else:
        title = f"{arguments.recipe}, seed {arguments.seed}"
        found = {title: tables_of(arguments.recipe, arguments.seed, progress)}
    for title, parts in found.items():
        for name, rows in parts.items():
            report.table(f"{title}: {name}", rows)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
