"""Gross errors in a history: how many are caught, and how many good prints are lost with them.

``python -m tests.benchmarks.gross_errors [--recipe ...] [--seeds 101 102 ...]``. The generator
spoils rows on purpose and tells which (``heldout/gross_errors.csv``); learning sets prints aside
without being told. *Recall*: of the spoilt rows those set aside; *precision*: of the rows set
aside those that were spoilt. *Moved*: how far the error moved the print, median dE00 between
its recorded colour and what the model says of the recorded set-up.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00
from learn.predict.model import ShiftModel
from pipelines.workspace.progress import Progress
from tests.benchmarks.results import Report
from tests.benchmarks.shops import RECIPES, folder_of, tables

SEEDS = (101, 102, 103)


def judged(recipe: str, seed: int) -> pd.DataFrame:
    """A row a print that was spoilt or set aside: kind (None = good), ``found``, ``moved``."""
    folder = folder_of(recipe, seed)
    model = ShiftModel().fit(tables(folder))
    spoilt = pd.read_csv(folder / "heldout" / "gross_errors.csv").set_index("print_id")["kind"]
    ids = model.prints_["print_id"]
    doubted = ids.isin(spoilt.index) | ~pd.Series(model.keep_)
    rows = np.flatnonzero(doubted)
    mean = model.predict_lab(model.prints_.iloc[rows].reset_index(drop=True)).mean
    return pd.DataFrame(
        {
            "recipe": recipe,
            "seed": seed,
            "kind": ids.iloc[rows].map(spoilt).astype(object).to_numpy(),
            "found": ~model.keep_[rows],
            "moved": delta_e00(mean, model.lab_[rows]),
            "print_id": ids.iloc[rows].to_numpy(),
        }
    )


def rates(rows: pd.DataFrame) -> dict[str, float]:
    """Recall and precision of some judged prints."""
    spoilt, found = rows["kind"].notna(), rows["found"]
    right = int((spoilt & found).sum())
    return {
        "spoilt": int(spoilt.sum()),
        "found": right,
        "good lost": int((found & ~spoilt).sum()),
        "recall": right / max(1, spoilt.sum()),
        "precision": right / found.sum() if found.any() else np.nan,
    }


def by_kind(rows: pd.DataFrame) -> dict[str, dict[str, float]]:
    """Recall of each kind of error, and of what was missed how little it showed."""
    out = {}
    for kind, some in rows[rows["kind"].notna()].groupby("kind"):
        missed = some.loc[~some["found"], "moved"]
        out[kind] = {
            "spoilt": len(some),
            "recall": some["found"].mean(),
            "moved": some["moved"].median(),
            "moved, missed": missed.median() if len(missed) else np.nan,
        }
    return out


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("gross_errors", __doc__)
    parser = report.parser
    parser.add_argument("--recipe", choices=RECIPES, action="append", help="default: all")
    parser.add_argument("--seeds", type=int, nargs="+", default=SEEDS)
    arguments = report.parse(argv)
    progress = Progress()
    found = []
    for recipe in arguments.recipe or RECIPES:
        lines = {}
        for seed in arguments.seeds:
            progress(f"{recipe}, seed {seed}")
            found.append(judged(recipe, seed))
            lines[f"{recipe}, seed {seed}"] = rates(found[-1])
        report.table(f"{recipe} shops", lines)
    everything = pd.concat(found, ignore_index=True)
    report.table("All of them, by kind of error", by_kind(everything) | {"all": rates(everything)})
    lost = everything[everything["kind"].isna()]
    missed = everything[everything["kind"].notna() & ~everything["found"]]
    for title, rows in (("Good prints lost", lost), ("Spoilt prints missed", missed)):
        if len(rows):
            kind = rows["kind"].fillna("-")
            report.table(title, rows.drop(columns="found").assign(kind=kind).set_index("print_id"))
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
