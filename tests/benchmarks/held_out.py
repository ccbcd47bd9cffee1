"""How good and how honest the predictions are, on prints the model never saw.

``python -m tests.benchmarks.held_out`` learns the demo shop once and predicts every kind of
held-out print; ``--seed N`` invents another shop of that kind first, so that choices can be
made on other shops than the one whose figures are reported; ``--real`` takes solid offset
inks over their measured backings instead.

Errors are dE00 to the noise-free colour where it is known (the invented shop), else to the
measured one. Coverage is the share of measured L, a and b inside their 90 % bands. A set-up is
*waved through* when no test print is asked for; it *held* when its measured colour lay within
the shop's tolerance of its own prediction.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.demo.generate import write_shop
from datasets.demo.recipe import MEDIUM
from datasets.demo.shop import TRUE_LAB, make_shop
from learn.colorimetry import delta_e00, viewing
from learn.evaluate import nearest_past_print, plain_regressor, score
from learn.inks import lab_columns
from learn.shift import ShiftModel
from learn.shop import Shop
from pipelines.progress import Progress
from pipelines.tables import check_setups, identifiers, read_folder
from tests.published import coated_shop

Array = NDArray[np.float64]

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
NOT_A_KIND = {"gross_errors"}
# A kind that mixes questions is shown by these as well.
PARTS = {"far": "far_kind", "later_period": "press_id"}
INK_NAMES = {"C": "cyan", "M": "magenta", "Y": "yellow"}


class Held:
    """Held-out prints of one kind: typed set-ups, their colour measured and, if known, true."""

    def __init__(self, setups: pd.DataFrame, measured: Array, true: Array | None) -> None:
        self.setups, self.measured, self.true = setups, measured, true

    @property
    def aim(self) -> Array:
        return self.measured if self.true is None else self.true

    def take(self, rows: NDArray) -> Held:
        """The prints at ``rows``."""
        true = None if self.true is None else self.true[rows]
        return Held(self.setups[rows].reset_index(drop=True), self.measured[rows], true)


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
        return encoder.process(setups, encoder.layers(setups))

    def row(self, held: Held) -> dict[str, float]:
        """One line of the table."""
        X = self.encoded(held.setups)
        physics = line(self.physics, held)
        learnt = line(self.learnt, held)
        nearest = nearest_past_print(self.past, self.past_lab, X)
        trees = plain_regressor(*_without_gaps(self.past, self.past_lab, X))
        return {
            "n": learnt.pop("n"),
            "floor": np.nan if held.true is None else _median_dE00(held.measured, held.true),
            "nearest": _median_dE00(nearest, held.aim),
            "trees": _median_dE00(trees, held.aim),
            "physics": physics["dE00"],
            "physics cover %": physics["cover %"],
            "physics sd": physics["sd"],
            **learnt,
        }


def line(model: ShiftModel, held: Held) -> dict[str, float]:
    """How one model does on held-out prints: error, coverage, width, verdicts."""
    predicted = model.predict_lab(held.setups)
    scored = score(predicted.mean, predicted.covariance, held.measured, held.true)
    verdicts = model.predict(held.setups.assign(setup_id=held.setups["print_id"]))
    waved = (verdicts["test_print"] == "no").to_numpy()
    missed = delta_e00(predicted.mean, held.measured)
    within = missed <= model.settings_.tolerance_dE00
    return {
        "n": scored.n,
        "dE00": scored.median_dE00,
        "p90": scored.p90_dE00,
        "cover %": 100 * scored.coverage90,
        "sd": scored.mean_sd,
        "waved %": 100 * waved.mean(),
        "held %": 100 * within[waved].mean() if waved.any() else np.nan,
    }


def _without_gaps(past: pd.DataFrame, lab: Array, X: pd.DataFrame) -> tuple:
    """The same with a constant in columns that no past print fills: trees cannot bin those."""
    empty = past.columns[past.isna().all()]
    constant = {c: 0.0 if pd.api.types.is_numeric_dtype(past[c]) else "-" for c in empty}
    return past.assign(**constant), lab, X.assign(**constant)


def _median_dE00(lab: Array, aim: Array) -> float:
    return float(np.median(delta_e00(lab, aim)))


def kinds(folder: Path, shop: Shop) -> Iterator[tuple[str, Held]]:
    """Every kind under ``heldout/``, and the parts of those that mix questions."""
    condition = viewing(shop.settings.illuminant, shop.settings.observer)
    for path in sorted((folder / "heldout").glob("*.csv")):
        if path.stem in NOT_A_KIND:
            continue
        cells = pd.read_csv(path, dtype=str, keep_default_na=False)
        asked = cells.rename(columns={"print_id": "setup_id"})
        # dates after today are meant: the later period is later than the history
        setups = check_setups(asked, identifiers(shop), path.name, today=date(9000, 1, 1))
        setups = setups.rename(columns={"setup_id": "print_id"})
        numbers = pd.read_csv(path)
        held = Held(setups, lab_columns(numbers, condition), numbers[TRUE_LAB].to_numpy(float))
        yield path.stem, held
        if path.stem in PARTS:
            part = cells[PARTS[path.stem]].to_numpy()
            for name in dict.fromkeys(part):
                if name:
                    yield f"  {name}", held.take(part == name)


def demo_table(folder: Path, progress: Progress) -> pd.DataFrame:
    """A line a kind of held-out print of a generated shop."""
    shop = read_folder(folder / "tables", name="demo").shop
    contest = Contest(shop, progress)
    progress("predicting the held-out prints")
    rows = {name: contest.row(held) for name, held in kinds(folder, shop)}
    return pd.DataFrame.from_dict(rows, orient="index")


def real_table(progress: Progress, paper: str = "coated") -> pd.DataFrame:
    """Solid offset inks over measured backings: a third of the prints, then each ink, held out."""
    rows = {}
    for ink in (None, *INK_NAMES):
        case = "a third of the prints" if ink is None else f"all of {INK_NAMES[ink]}"
        progress(f"{paper} paper, held out: {case}")
        trial = coated_shop(ink, paper=paper)
        held = Held(trial.held_out, lab_columns(trial.held_out, viewing("D50", "2")), None)
        rows[case] = Contest(trial.shop, progress).row(held)
    return pd.DataFrame.from_dict(rows, orient="index")


def in_words(table: pd.DataFrame) -> str:
    """The table to print: dE00 and sd with two decimals, shares in whole percent."""
    whole = [c for c in table if c == "n" or c.endswith("%")]
    formats = {c: (lambda v: "-" if np.isnan(v) else f"{v:.0f}") for c in whole}
    formats |= {c: (lambda v: "-" if np.isnan(v) else f"{v:.2f}") for c in table if c not in whole}
    return table.to_string(formatters=formats)


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.held_out",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--shop-dir", type=Path, default=DEMO, help="a generated shop's folder")
    what.add_argument("--seed", type=int, help="invent a shop with this seed instead")
    what.add_argument("--real", action="store_true", help="real offset solids instead")
    parser.add_argument(
        "--paper", choices=("coated", "uncoated"), default="coated", help="with --real"
    )
    arguments = parser.parse_args(argv)
    progress, started = Progress(), time.perf_counter()
    if arguments.real:
        title, table = f"{arguments.paper} offset", real_table(progress, arguments.paper)
    elif arguments.seed is not None:
        with tempfile.TemporaryDirectory() as folder:
            progress(f"inventing a shop with seed {arguments.seed}")
            write_shop(make_shop(MEDIUM, arguments.seed), Path(folder))
            title, table = f"seed {arguments.seed}", demo_table(Path(folder), progress)
    else:
        title, table = str(arguments.shop_dir), demo_table(arguments.shop_dir, progress)
    print(f"{title}: median dE00, coverage of L, a, b by the 90 % bands, mean sd, verdicts")
    print(in_words(table))
    print(f"{time.perf_counter() - started:.0f} s", file=sys.stderr)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
