"""What a new ink's drawdowns and first prints are worth.

``python -m tests.benchmarks.ink_worth [--seed N ...]``: on every shop, `INKS` inks with spectral
drawdowns and many prints are made new ones - all but `PRINTS` of their prints kept back, or all;
their drawdowns kept or not - everything else is learnt, and the prints kept back are predicted.
Physics alone is calibrated to the same prints. Errors are dE00 to the measured colour.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from learn.physics.drawdowns import lab_columns
from learn.predict.model import ShiftModel
from learn.shop import Shop
from pipelines.workspace.progress import Progress
from tests.benchmarks.measures import bands, colours
from tests.benchmarks.results import Report
from tests.benchmarks.shops import Held, folder_of, tables

INKS, PRINTS = 4, 5
SEEDS = (101, 102, 103)
CASES = {
    "drawdowns, no prints": (True, 0),
    f"drawdowns, {PRINTS} prints": (True, PRINTS),
    f"no drawdowns, {PRINTS} prints": (False, PRINTS),
    "no drawdowns, no prints": (False, 0),
}


def made_new(shop: Shop, model: ShiftModel, rng: np.random.Generator) -> list[str]:
    """Inks known from spectra with many prints, drawn at random."""
    known = dict(zip(model.shelf_.ink_ids, model.shelf_.known_from, strict=True))
    counts = shop.prints["ink_id"].value_counts()
    role = shop.inks.set_index("ink_id")["role"]
    able = [
        ink
        for ink in sorted(counts.index[counts >= 4 * PRINTS])
        if known[ink] == "spectra" and role[ink] != "underbase"
    ]
    return sorted(rng.choice(able, INKS, replace=False))


def case(
    shop: Shop, aside: pd.Series, inks: list[str], drawdowns: bool, prints: int, seed: int
) -> tuple[Shop, pd.DataFrame]:
    """The shop as if the inks were new, and the prints of theirs that all cases keep back."""
    own = shop.prints[shop.prints["ink_id"].isin(inks) & ~shop.prints["print_id"].isin(aside)]
    first = own.sample(frac=1, random_state=seed).groupby("ink_id").head(PRINTS)
    held = own.drop(first.index)
    told = first.groupby("ink_id").head(prints) if prints else first.iloc[:0]
    others = shop.prints[~shop.prints["ink_id"].isin(inks)]
    cards = shop.drawdowns
    if not drawdowns:
        cards = cards[~cards["ink_id"].isin(inks)]
    history = pd.concat([others, told]).sort_index()
    return replace(shop, prints=history, drawdowns=cards), held


def of_shop(seed: int, progress: Progress) -> dict[str, list[dict[str, np.ndarray]]]:
    """Figures print by print, a list a case: learnt, physics alone."""
    shop = tables(folder_of("medium", seed))
    progress(f"seed {seed}: the whole shop")
    model = ShiftModel().fit(shop)
    inks = made_new(shop, model, np.random.default_rng(seed))
    out = {}
    for name, (drawdowns, prints) in CASES.items():
        progress(f"seed {seed}: {', '.join(inks)} with {name}")
        part, held = case(shop, model.set_aside_["print_id"], inks, drawdowns, prints, seed)
        setups = held.rename(columns={"print_id": "setup_id"}).reset_index(drop=True)
        asked = Held(setups, lab_columns(held, model.viewing_), None)
        learnt = ShiftModel().fit(part)
        out[name] = [bands(colours(m, asked), asked) for m in (learnt, learnt.physics_alone())]
    return out


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("ink_worth", __doc__)
    report.parser.add_argument("--seed", type=int, nargs="+", default=SEEDS)
    seeds, progress = report.parse(argv).seed, Progress()
    shops = [of_shop(seed, progress) for seed in seeds]
    rows = {}
    for name in CASES:
        learnt, physics = (
            {k: np.concatenate([shop[name][i][k] for shop in shops]) for k in ("dE00", "inside")}
            for i in (0, 1)
        )
        rows[name] = {
            "n": len(learnt["dE00"]),
            "physics": float(np.median(physics["dE00"])),
            "learnt": float(np.median(learnt["dE00"])),
            "mean physics": float(physics["dE00"].mean()),
            "mean learnt": float(learnt["dE00"].mean()),
            "cover %": 100 * float(learnt["inside"].mean()),
        }
    inks = f"{INKS} inks of each of {len(seeds)} shops, seeds {', '.join(map(str, seeds))}"
    report.table(f"{inks}: dE00 to the measured colour", rows)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
