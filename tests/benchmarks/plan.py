"""Do plans print as they say, and better than what a shop would do without them?

``python -m tests.benchmarks.plan --seed N`` invents a shop, learns it, and plans jobs: a target
colour on one to three garments. Half the targets are colours that some set-up of the shop
really gives on one garment, half lie around the colours of its buckets. What each way of
choosing would print is then printed by the optics that made the shop, with the scatter of job,
print and instrument, and counts where *all* garments come within tolerance:

* *bucket*: the ink whose bucket is nearest, at the shop's usual set-up;
* *one shade deeper*: the next darker ink of that hue, as the rule of thumb has it;
* *physics*: the set-up whose colour is nearest by the calibrated physics alone;
* *plan*: the first line of the plan, with its stated chance.

``--speed`` times a plan of some 50,000 candidates on six garments instead, beside predicting
every candidate by itself (timed on a few, extrapolated) and all of them in one frame.
"""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.demo.colour_of import lab_of
from datasets.demo.history import finish
from datasets.demo.recipe import MEDIUM
from datasets.demo.shop import _printed
from datasets.demo.world import World, generator, read_lab
from learn.colour.colorimetry import delta_e00
from learn.planning.candidates import Grid, Limits
from learn.planning.plan import plan, usual_setup
from learn.planning.search import search
from learn.planning.shades import shade_deeper
from learn.predict.garments import on_garments
from learn.predict.model import ShiftModel
from learn.shop import UNDERBASE, Shop
from pipelines.workspace.progress import Progress
from tests.benchmarks.results import Report
from tests.benchmarks.shops import folder_of, tables

SETUP = ["press_id", "ink_id", "mesh_id", "strokes", "flash_count", *UNDERBASE]

Array = NDArray[np.floating]

DAY = 705  # the last week of the history
REPEATS = 10  # prints of every choice
WAYS = ("bucket", "one shade deeper", "physics", "plan")


class Bench:
    """An invented shop, what was learnt of it, and the press that prints the truth."""

    def __init__(self, seed: int, shop: Shop, model: ShiftModel, physics: ShiftModel) -> None:
        self.seed, self.shop, self.model, self.physics = seed, shop, model, physics
        self.world = World(MEDIUM, seed)
        lots = {i: ink.lot_on(np.array([DAY]))[0] for i, ink in self.world.inks.items()}
        self.lots = {i: f"{i}-L{lot + 1:02d}" for i, lot in lots.items()}
        self.inks = [i for i in self.world.inks if i.startswith("C")]

    def complete(self, setups: pd.DataFrame) -> pd.DataFrame:
        """Set-ups with everything the press needs to be told."""
        usual = {"squeegee_shore_a": 70, "squeegee_angle_deg": 15, "off_contact_mm": 2.5}
        usual |= {"eom_um": 12}
        full = setups.assign(day=DAY, readings=3, job_id=setups.get("job_id", "B"))
        for column, value in usual.items():
            full[column] = full[column].fillna(value).astype(float) if column in full else value
        full["flash_count"] = full["flash_count"].fillna(0)
        return finish(self.world, full.reset_index(drop=True))

    def true_lab(self, setups: pd.DataFrame) -> Array:
        """Noise-free colours, (n, 3)."""
        return lab_of(self.world.reflectance(self.complete(setups)))

    def printed(self, setups: pd.DataFrame, rng: np.random.Generator) -> Array:
        """Measured colours, (REPEATS, n, 3); one job a repeat."""
        n = len(setups)
        many = pd.concat([setups.assign(job_id=f"B{i}") for i in range(REPEATS)])
        full = self.complete(many)
        spectra = _printed(self.world, full, rng)
        return read_lab(spectra, full["readings"].to_numpy(float), rng).reshape(REPEATS, n, 3)

    def jobs(self, n: int) -> list[tuple[Array, list[str]]]:
        """Targets with their garments."""
        rng = generator(self.seed, "jobs to plan")
        limits = Limits(presses=("P1",))
        grid = Grid.of(self.model, limits)
        buckets = np.stack([lab_of(self.world.bucket(i)) for i in self.inks])
        garments = [g for g in self.world.cloths]
        jobs = []
        for i in range(n):
            on = list(rng.choice(garments, size=1 + i % 3, replace=False))
            if i % 2:
                setup = grid.setups(rng.integers(len(grid), size=1))
                target = self.true_lab(setup.assign(substrate_id=on[0]))[0]
            else:
                target = buckets[rng.integers(len(buckets))] + 3 * rng.normal(size=3)
            jobs.append((np.clip(target, [3, -110, -110], [97, 110, 110]), on))
        return jobs

    def choices(self, target: Array, garments: list[str]) -> tuple[dict[str, pd.DataFrame], dict]:
        """What each way would print, a row a garment, and what the plan states."""
        usual = usual_setup(self.shop.prints, garments)
        day = pd.Timestamp("2024-01-08") + pd.Timedelta(days=DAY)
        limits = Limits(fixed={"printed_on": day, "readings": 3.0}, lots=self.lots)
        found = plan(self.model, target, garments, limits=limits, usual=usual)
        best = found.lines.iloc[0]
        first = found.usual
        buckets = self.model.buckets(self.inks)[0]
        deeper = self.inks[shade_deeper(buckets, self.inks.index(first["ink_id"]))]
        grid = Grid.of(
            self.physics, replace(limits, fixed=limits.fixed, presses=(usual["press_id"],))
        )
        seen = search(self.physics, grid, target, garments, found.tolerance)
        at = int(seen.dE.max(axis=1).argmin())
        near = grid.setups(seen.numbers[[at]])

        def rows(line: pd.Series, based: list[bool], **changed: Any) -> pd.DataFrame:
            frame = pd.DataFrame([{**line[SETUP].to_dict(), **changed}])
            return on_garments(frame, garments, np.array([based]))

        usually = [pd.notna(first[UNDERBASE[0]])] * len(garments)
        chosen = {
            "bucket": rows(first, usually),
            "one shade deeper": rows(first, usually, ink_id=deeper),
            "physics": rows(near.iloc[0], list(seen.based[at])),
            "plan": rows(best, [g in best["base_on"] for g in garments]),
        }
        said = {
            "p": best["p_all"],
            "worst": best["worst_dE00"],
            "verdict": str(best["verdict"]),
            "garments": len(garments),
            "independent": float(np.prod(found.colours.query("line == 1")["p"])),
        }
        return chosen, said

    def run(self, n: int, progress: Progress) -> pd.DataFrame:
        """One row a job: share of repeats within tolerance by each way, and what was stated."""
        rng = generator(self.seed, "planned prints")
        out = []
        for i, (target, garments) in enumerate(self.jobs(n)):
            chosen, said = self.choices(target, garments)
            row = {**said, "kind": ("bucket colour", "print colour")[i % 2]}
            for way, setups in chosen.items():
                dE = delta_e00(self.printed(setups, rng), target).max(axis=1)
                row[way] = (dE <= self.model.settings_.tolerance_dE00).mean()
                row[f"{way} dE00"] = np.median(dE)
            out.append(row)
            progress(f"job {i + 1} of {n}: stated {row['p']:.2f}, printed {row['plan']:.2f}")
        return pd.DataFrame(out)


def speed(model: ShiftModel) -> dict[str, dict[str, float]]:
    """Seconds for one plan, and for the ways around it."""
    garments = ["G01", "G02", "G03", "G04", "G09", "G10"]
    limits = Limits(presses=("P1",), max_strokes=3, max_flashes=2)
    start = time.perf_counter()
    found = plan(model, [45, 60, 30], garments, limits=limits)
    planned = time.perf_counter() - start
    n = found.n_candidates * len(garments)
    grid = Grid.of(model, limits)
    some = on_garments(grid.setups(np.arange(0, len(grid), len(grid) // 100)), garments)
    some = some.assign(setup_id=[str(i) for i in range(len(some))])
    start = time.perf_counter()
    for i in range(20):
        model.predict(some.iloc[i : i + 1])
    one_by_one = (time.perf_counter() - start) / 20 * n
    start = time.perf_counter()
    model.predict_lab(some)
    together = (time.perf_counter() - start) / len(some) * n
    ways = {"plan": planned, "predict in a loop": one_by_one, "predict_lab in blocks": together}
    size = {"candidates": found.n_candidates, "garments": len(garments)}
    return {way: size | {"seconds": seconds} for way, seconds in ways.items()}


def tell(jobs: pd.DataFrame, report: Report) -> None:
    """The figures."""
    ways = pd.DataFrame(
        {
            "in tolerance": {w: jobs[w].mean() for w in WAYS},
            "median worst dE00": {w: jobs[f"{w} dE00"].median() for w in WAYS},
        }
    )
    bands = pd.cut(jobs["p"], [-0.01, 0.1, 0.3, 0.5, 0.7, 0.8, 0.9, 1.0])
    reliability = jobs.groupby(bands, observed=True).agg(
        jobs=("p", "size"), stated=("p", "mean"), printed=("plan", "mean")
    )
    report.table(f"{len(jobs)} jobs: share in tolerance on all garments", ways)
    report.table("Stated chance of the first line, and what was printed", reliability)
    report.say(
        f"Stated, mean over jobs {jobs['p'].mean():.2f}, printed {jobs['plan'].mean():.2f}; "
        f"chances multiplied over garments {jobs['independent'].mean():.2f}."
    )


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("plan", __doc__)
    parser = report.parser
    parser.add_argument("--seed", type=int, default=101, help="of the invented shop")
    parser.add_argument("--jobs", type=int, default=60)
    parser.add_argument("--speed", action="store_true", help="time one large plan instead")
    arguments, progress = report.parse(argv), Progress()
    shop = tables(folder_of("medium", arguments.seed))
    model = ShiftModel().fit(shop, progress=progress)
    if arguments.speed:
        report.table("One large plan, and the ways around it (timed on a few)", speed(model))
    else:
        bench = Bench(arguments.seed, shop, model, model.physics_alone())
        tell(bench.run(arguments.jobs, progress), report)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
