"""One shop is a small sample of inks and presses: every kind of held-out print over many shops.

``python -m tests.benchmarks.many_shops [--recipe ...] [--seed N ...]``. Intervals are bootstrap
ones over what errs together: inks for inks never printed, jobs for all else, of every shop.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00
from learn.predict.model import ShiftModel
from pipelines.workspace.progress import Progress
from tests.benchmarks.measures import answer, bands, colours
from tests.benchmarks.results import Report
from tests.benchmarks.shops import RECIPES, folder_of, kinds, tables

SEEDS = (201, 202, 203, 204, 205, 206)  # no choice was made on these
RESAMPLES = 2000
BY_INK = ("unseen_ink", "few_prints")


def of_shop(recipe: str, seed: int, progress: Progress) -> pd.DataFrame:
    """Every held-out print of a shop: kind, group, errors, what its bands held, verdict."""
    folder = folder_of(recipe, seed)
    shop = tables(folder)
    progress(f"{recipe}, seed {seed}")
    model = ShiftModel().fit(shop)
    physics = model.physics_alone()
    out = []
    for kind, held, parts in kinds(folder, shop):
        said = answer(model, held)
        found = bands(said, held)
        by = held.setups["ink_id" if kind in BY_INK else "job_id"].astype(object)
        by = by.where(by.notna(), held.setups["setup_id"])
        part = np.full(len(held), "", object)
        for name, rows in parts.items():
            part[rows] = name
        frame = pd.DataFrame(
            {
                "kind": kind,
                "part": part,
                "group": f"{seed} " + by.astype(str),
                "seed": seed,
                "learnt": found["dE00"],
                "physics": bands(colours(physics, held), held)["dE00"],
                "inside": found["inside"].mean(axis=1),
                "waved": said.waved,
                "held": delta_e00(said.mean, held.measured) <= shop.settings.tolerance_dE00,
            }
        )
        out.append(frame)
    return pd.concat(out, ignore_index=True)


def line(found: pd.DataFrame) -> dict[str, float]:
    """Figures of one kind with 90 % intervals."""
    rng = np.random.default_rng(0)
    by = [g[["learnt", "physics", "inside"]].to_numpy() for _, g in found.groupby("group")]
    better, cover = np.empty(RESAMPLES), np.empty(RESAMPLES)
    for i in range(RESAMPLES):
        again = np.concatenate([by[j] for j in rng.integers(len(by), size=len(by))])
        better[i] = again[:, 1].mean() - again[:, 0].mean()
        cover[i] = 100 * again[:, 2].mean()
    low, high = np.quantile(better, [0.05, 0.95])
    waved = found["waved"]
    return {
        "n": len(found),
        "groups": len(by),
        "physics": found["physics"].median(),
        "learnt": found["learnt"].median(),
        "mean physics": found["physics"].mean(),
        "mean learnt": found["learnt"].mean(),
        "gain from": low,
        "to": high,
        "cover %": 100 * found["inside"].mean(),
        "from %": np.quantile(cover, 0.05),
        "to %": np.quantile(cover, 0.95),
        "least %": 100 * found.groupby("seed")["inside"].mean().min(),
        "waved %": 100 * waved.mean(),
        "held %": 100 * found.loc[waved, "held"].mean(),
    }


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("many_shops", __doc__)
    parser = report.parser
    parser.add_argument("--recipe", choices=RECIPES, default="medium")
    parser.add_argument("--seed", type=int, nargs="+", default=SEEDS)
    arguments = report.parse(argv)
    progress = Progress()
    shops = [of_shop(arguments.recipe, seed, progress) for seed in arguments.seed]
    found = pd.concat(shops, ignore_index=True)
    rows = {}
    for kind, of_kind in found.groupby("kind"):
        rows[kind] = line(of_kind)
        for part, of_part in of_kind[of_kind["part"] != ""].groupby("part"):
            rows[f"  {part}"] = line(of_part)
    seeds = ", ".join(map(str, arguments.seed))
    report.table(
        f"{arguments.recipe}, seeds {seeds}: dE00 to the noise-free colour, 90 % bands", rows
    )
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
