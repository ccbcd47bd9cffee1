"""Are recipes found, and do mixes print as predicted?

``python -m tests.benchmarks.mixes --seed N`` invents a shop, learns it, and hides recipes of two
to four of its inks, printed with random set-ups on one or two garments:

* *by physics*: the hidden recipe is coloured by the model itself; how near a recipe found for
  that colour comes, dE00;
* *in the world*: the hidden recipe is printed by the optics that made the shop, which mixes
  absorption and scattering, not K and S; the recipe found for that colour is printed the same
  way. How far the model's prediction of the hidden recipe was off, in standard deviations and
  by coverage of its 90 % bands; how often the found recipe prints within tolerance against its
  stated chance; and the same after one test print and its correction.

``--part choose|check|last [--kind KIND] [--shops N] [--jobs N]`` takes shops of the second family
instead, whose inks do not mix as their films add up (`tests.benchmarks.mixed_worlds`): a hidden
recipe of two or three inks predicted, beside plain sums of K and S; the recipe found for its
colour printed, and corrected after one test print, its stated chance against the true one of one
who knows all but chance - with inks never mixed, with a tint card each, and after a dozen mixes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.demo.materials import Optics
from datasets.demo.world import World, generator
from learn.colour.colorimetry import delta_e00
from learn.mixing.mixture import Mixing
from learn.mixing.recipes import Weighing, recipes
from learn.mixing.top_up import top_up
from learn.normal import Z90
from learn.planning.candidates import Grid, Limits
from learn.predict.garments import on_garments
from learn.predict.model import ShiftModel
from pipelines.workspace.progress import Progress
from tests.benchmarks import mixed_worlds
from tests.benchmarks.plan import DAY, Bench
from tests.benchmarks.results import Report
from tests.benchmarks.shops import folder_of, tables
from tests.worlds.parts import PARTS
from tests.worlds.shop import KINDS

Array = NDArray[np.floating]


def mixed_ink(world: World, shares: dict[str, float]) -> None:
    """Put the mix on the world's shelf as ink ``MIX``: today's lots by shares of dry film."""
    inks = [world.inks[i] for i in shares]
    c = np.array(list(shares.values()))
    lots = [int(ink.lot_on(np.array([DAY]))[0]) for ink in inks]
    parts = [world.lot_optics(i, lot) for i, lot in zip(shares, lots, strict=True)]
    mu_a = sum(w * p.mu_a for w, p in zip(c, parts, strict=True))
    mu_s = sum(w * p.mu_s for w, p in zip(c, parts, strict=True))
    g = sum(w * p.mu_s * p.g for w, p in zip(c, parts, strict=True)) / mu_s

    def mean(name: str) -> float:
        return float(c @ np.array([getattr(ink, name) for ink in inks]))

    world.inks["MIX"] = replace(
        inks[0],
        ink_id="MIX",
        solids=float(1 / (c @ np.array([1 / ink.solids for ink in inks]))),
        rheology=mean("rheology"),
        haze=mean("haze"),
        optics=Optics(mu_a, mu_s, g),
        lot_starts=np.array([0.0]),
        lot_strength=np.array([1.0]),
    )
    world._tops.pop(("MIX", 0), None)


class MixBench(Bench):
    """A shop whose press can print mixes."""

    def of_mix(self, setup: pd.Series, garments: list[str], shares: dict[str, float]) -> tuple:
        """Set-ups of a mix, and its noise-free Lab (g, 3)."""
        mixed_ink(self.world, shares)
        setups = on_garments(pd.DataFrame([{**setup.to_dict(), "ink_id": "MIX"}]), garments)
        return setups, self.true_lab(setups)

    def one(self, rng: np.random.Generator) -> dict[str, float]:
        """One hidden recipe, sought by physics and in the world."""
        known = {i for i, n in self.model.likeness_.counts["ink"].items() if n >= 4}
        palette = [i for i in self.inks if i in known]
        grid = Grid.of(self.model, Limits(presses=("P1",), fixed={"readings": 3.0}))
        setup = grid.setups(rng.integers(len(grid), size=1)).iloc[0]
        garments = list(
            rng.choice(list(self.world.cloths)[:13], size=rng.integers(1, 3), replace=False)
        )
        size = int(rng.integers(2, 5))
        hidden = list(rng.choice(palette, size=size, replace=False))
        c = np.maximum(rng.dirichlet(np.full(size, 1.5)), 0.02)
        c /= c.sum()
        mixing = Mixing.of(self.model, setup.to_dict(), garments, palette)
        shares = np.zeros(len(palette))
        shares[[palette.index(i) for i in hidden]] = c
        row: dict[str, float] = {"inks": size}

        said = mixing.predict(shares)
        aim = said.joint.mean[0].mean(axis=0)
        own = delta_e00(said.joint.mean[0], aim).max()  # what the garments leave
        found = recipes(self.model, aim, setup.to_dict(), garments, inks=palette, most=20)
        row["physics"] = max(0.0, found.lines["worst_dE00"].min() - own)
        row["physics same"] = float(
            set(hidden) <= set(found.lines["inks"].iloc[found.lines["worst_dE00"].argmin()])
        )

        setups, true = self.of_mix(setup, garments, dict(zip(hidden, c, strict=True)))
        printed = self.printed(setups, rng)
        sd = np.sqrt(np.diag(said.joint.covariance[0])).reshape(-1, 3)
        row["hidden dE00"] = delta_e00(said.joint.mean[0], true).max()
        row["hidden cover"] = (np.abs(printed - said.joint.mean[0]) <= Z90 * sd).mean()
        row["hidden sd"] = sd.mean()
        pure = mixing.predict(np.eye(len(palette))[shares > 0])
        row["pure sd"] = np.sqrt(np.einsum("nii->ni", pure.joint.covariance)).mean()

        target = true.mean(axis=0)
        told = recipes(self.model, target, setup.to_dict(), garments, inks=palette)
        best = dict(zip(palette, told.shares[0], strict=True))
        best = {i: s for i, s in best.items() if s > 0}
        setups, _ = self.of_mix(setup, garments, best)
        first = self.printed(setups, rng)
        row["p"], row["stated dE00"] = told.lines["p_all"].iloc[0], told.lines["worst_dE00"].iloc[0]
        off = delta_e00(first, target).max(axis=1)
        row["printed"], row["printed dE00"] = (off <= told.tolerance).mean(), np.median(off)

        line = told.lines.iloc[0]
        weighing = Weighing(3.0)
        more = top_up(
            told.mixing,
            dict(zip(line["inks"], line["percent"], strict=True)),
            3.0,
            dict(zip(garments, first[0], strict=True)),
            target,
            tolerance=told.tolerance,
            weighing=weighing,
        )
        kg = np.array([more.percent.get(i, 0.0) for i in palette])
        after = dict(zip(palette, weighing.shares(told.mixing, kg), strict=True))
        setups, _ = self.of_mix(setup, garments, {i: s for i, s in after.items() if s > 0})
        off = delta_e00(self.printed(setups, rng), target).max(axis=1)
        row["p corrected"] = more.p_after
        row["corrected"], row["corrected dE00"] = (off <= told.tolerance).mean(), np.median(off)
        row["added share"] = sum(more.add_kg.values()) / 3.0
        return row

    def mixes(self, n: int, progress: Progress) -> pd.DataFrame:
        """One row a hidden recipe."""
        rng = generator(self.seed, "hidden recipes")
        rows = []
        for i in range(n):
            rows.append(self.one(rng))
            progress(f"recipe {i + 1} of {n}")
        return pd.DataFrame(rows)


def tell(t: pd.DataFrame, report: Report) -> None:
    """The figures."""
    printed = {
        "found recipe": {
            "in tolerance %": 100 * t["printed"].mean(),
            "stated %": 100 * t["p"].mean(),
            "median dE00": t["printed dE00"].median(),
        },
        "after one test print and its correction": {
            "in tolerance %": 100 * t["corrected"].mean(),
            "stated %": 100 * t["p corrected"].mean(),
            "median dE00": t["corrected dE00"].median(),
        },
    }
    report.table(f"{len(t)} hidden recipes of 2 to 4 inks, printed", printed)
    report.say(
        f"By physics: within 0.3 dE00 {100 * (t['physics'] < 0.3).mean():.0f} %, median "
        f"{t['physics'].median():.2f}, largest {t['physics'].max():.2f}; the hidden inks "
        f"themselves {100 * t['physics same'].mean():.0f} %."
    )
    report.say(
        f"Hidden recipe predicted: median {t['hidden dE00'].median():.2f} dE00, mean sd "
        f"{t['hidden sd'].mean():.2f} (its inks alone {t['pure sd'].mean():.2f}), 90 % bands held "
        f"{100 * t['hidden cover'].mean():.0f} %. The correction adds "
        f"{100 * t['added share'].mean():.0f} % of the bucket on average."
    )


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("mixes", __doc__)
    parser = report.parser
    parser.add_argument("--seed", type=int, default=101, help="of the invented shop")
    parser.add_argument("--recipes", type=int, default=40)
    parser.add_argument("--part", choices=PARTS, help="shops of the second family")
    parser.add_argument("--kind", choices=KINDS, action="append", help="of these (default: all)")
    parser.add_argument("--shops", type=int, help="of each kind (default: all)")
    parser.add_argument("--jobs", type=int, default=12, help="hidden recipes a shop")
    arguments, progress = report.parse(argv), Progress()
    if arguments.part:
        rows = []
        for kind in arguments.kind or KINDS:
            for which in [w for w in PARTS[arguments.part] if w.kind == kind][: arguments.shops]:
                progress(f"{which.kind} {which.seed}")
                rows += mixed_worlds.Bench.of(which).jobs(arguments.jobs)
        mixed_worlds.tell(pd.DataFrame(rows), report)
        report.record()
        return 0
    shop = tables(folder_of("medium", arguments.seed))
    model = ShiftModel().fit(shop, progress=progress)
    bench = MixBench(arguments.seed, shop, model, model)
    tell(bench.mixes(arguments.recipes, progress), report)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
