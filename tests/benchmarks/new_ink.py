"""Do the prints that are said to describe an ink best do so?

``python -m tests.benchmarks.new_ink --seed 101 102 103``: every ink of those shops that was never
printed, described by one to four test prints. First among its held-out prints: those of half of
its jobs may be pulled, those of the other half are predicted; many such halves are drawn. Tests are
picked one by one - as `learn.planning.new_ink` picks them for the shop's usual set-ups, by the
widest band, at random. Then *pulled* on the press that made the shop, and all held-out prints
predicted: the prints that are planned; a white and a black shirt, each without and with base; usual
set-ups at random. Each test is learnt by one Gaussian update. After each: median and mean dE00 from
predicted to noise-free colour, the share of measured values in the 90 % bands, the share that goes
straight to production and how much of that came out within tolerance of its prediction."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.demo.shop import _printed
from datasets.demo.world import FIRST_DAY, read_lab
from learn.colour.colorimetry import delta_e00
from learn.colour.difference import difference, local_metric
from learn.gp.covariance import Belief
from learn.normal import Z90
from learn.planning.new_ink import (
    errors_after,
    past_of,
    plan_ink,
    usual_of,
)
from learn.planning.plan import usual_setup
from learn.predict.model import ShiftModel
from learn.predict.verdict import chance_needed
from learn.shop import SETUP_COLUMNS, UNDERBASE, Shop
from pipelines.workspace.progress import Progress
from tests.benchmarks.plan import DAY, Bench
from tests.benchmarks.results import Report
from tests.benchmarks.shops import Held, folder_of, kinds, tables

Array = NDArray[np.floating]

TESTS, DRAWS = 4, 20
WAYS = ("as planned", "widest band", "at random")
PULLED = ("as planned, pulled", "two shirts, pulled", "at random, pulled")
SHIRTS = ("G01", "G02")  # white and black cotton
FIGURES = ("median dE00", "mean dE00", "cover %", "straight on %", "of these held %")


def ink(model: ShiftModel, shop: Shop, held: Held, rng: np.random.Generator) -> pd.DataFrame:
    """`FIGURES` of one ink after 0 .. `TESTS` prints by each way, a row a way and number."""
    one = held.setups["ink_id"].iloc[0]
    usual = usual_of(past_of(model, one, shop.prints)).assign(ink_id=one, ink_lot=None)
    setups = pd.concat([held.setups, usual], ignore_index=True)
    job = pd.factorize(held.setups["job_id"])[0]
    everything = model.between(setups, np.concatenate([job, np.full(len(usual), -1)]))
    found = []
    for _ in range(DRAWS):
        pullable = np.isin(job, rng.permutation(job.max() + 1)[: (job.max() + 1) // 2])
        tests, others = np.flatnonzero(pullable), np.flatnonzero(~pullable)
        kept = np.concatenate([tests, others, np.arange(len(held), len(setups))])
        start = everything.of(kept)
        part = Part(
            model,
            setups.iloc[tests].reset_index(drop=True),
            held.measured[tests],
            taken(held, others),
            usual,
        )
        for way in WAYS:
            rows = part.pull(way, start, rng)
            found += [{"way": way, "prints": k} | row for k, row in enumerate(rows)]
    return pd.DataFrame(found).groupby(["way", "prints"], sort=False).mean()


class Part:
    """Prints of an ink: some may be pulled as tests, others are predicted."""

    def __init__(
        self, model: ShiftModel, tests: pd.DataFrame, read: Array, held: Held, usual: pd.DataFrame
    ) -> None:
        self.model, self.tests, self.read, self.held = model, tests, read, held
        n, m = len(tests), len(held)
        self.at = np.arange(n), np.arange(n, n + m), np.arange(n + m, n + m + len(usual))
        self.setups = tests, held.setups, usual

    def pull(self, way: str, known: Belief, rng: np.random.Generator) -> Iterator[dict]:
        """The figures before the first test print and after each."""
        tests, held, usual = self.at
        metric, free = local_metric(known.mean[usual]), np.ones(len(tests), bool)
        for left in range(TESTS, -1, -1):
            of_tests, of_held, of_usual = (
                self.model.spreads(setups, [self.tests[~free]])[0] for setups in self.setups
            )
            yield self._figures(known.mean[held], _covariance(known, held, of_held))
            if way == "as planned":
                value = -errors_after(known, tests, usual, metric, of_usual)
            elif way in PULLED:
                value = -np.arange(len(tests))
            elif way == "widest band":
                covariance = _covariance(known, tests, of_tests)
                value = np.sqrt(np.einsum("nii->ni", covariance)).mean(axis=1)
            else:
                value = rng.random(len(tests))
            t = int(np.where(free, value, -np.inf).argmax())
            if left:
                known, free[t] = known.after(t, self.read[t]), False

    def _figures(self, mean: Array, covariance: Array) -> dict[str, float]:
        tolerance = np.full(len(mean), self.model.settings_.tolerance_dE00)
        p = difference(mean, covariance, mean, tolerance).p_within
        go = p >= chance_needed(self.model.settings_)
        sd = np.sqrt(np.einsum("nii->ni", covariance))
        inside = np.abs(self.held.measured - mean) <= Z90 * sd
        good = delta_e00(mean, self.held.measured) <= tolerance
        error = delta_e00(mean, self.held.aim)
        shares = inside.mean(), go.mean(), good[go].mean() if go.any() else np.nan
        values = np.median(error), error.mean(), *(100 * np.array(shares))
        return dict(zip(FIGURES, map(float, values), strict=True))


def pulled(bench: Bench, held: Held, rng: np.random.Generator) -> pd.DataFrame:
    """`FIGURES` of all held-out prints of one ink after 0 .. `TESTS` prints off the press."""
    model, one = bench.model, held.setups["ink_id"].iloc[0]
    usual = usual_of(past_of(model, one, bench.shop.prints)).assign(ink_id=one)
    usual[UNDERBASE[2]] = usual[UNDERBASE[2]].fillna(usual[UNDERBASE[0]].notna().astype(float))
    usual["press_id"] = usual["press_id"].fillna(usual["press_id"].mode()[0])
    planned = plan_ink(model, one, bench.shop.prints, most=TESTS).prints
    screen = usual_setup(bench.shop.prints, list(SHIRTS))
    base = bench.shop.prints[UNDERBASE].dropna().mode().iloc[0].to_dict()
    shirts = pd.DataFrame(
        [
            {**screen, **dict.fromkeys(UNDERBASE), **with_base, "substrate_id": shirt}
            for shirt in SHIRTS
            for with_base in ({}, base)
        ]
    )
    found = []
    for draw in range(DRAWS):
        for way in PULLED:
            tests = {PULLED[0]: planned, PULLED[1]: shirts}.get(way)
            if tests is None:
                tests = usual.iloc[rng.choice(len(usual), TESTS, replace=False)]
            tests = tests.assign(
                ink_id=one,
                ink_lot=bench.lots[one],
                job_id=tests["mesh_id"] + f"-{draw}",
                printed_on=FIRST_DAY + pd.Timedelta(days=DAY),
            ).reset_index(drop=True)
            full = bench.complete(tests[[c for c in tests if c in SETUP_COLUMNS]])
            spectra = _printed(bench.world, full, rng)
            read = read_lab(spectra, full["readings"].to_numpy(float), rng)
            both = pd.concat([tests, held.setups, usual.assign(ink_lot=None)], ignore_index=True)
            job = np.full(len(both), -1)
            job[: len(tests)] = pd.factorize(tests["job_id"])[0]
            part = Part(model, tests, read, held, usual)
            rows = part.pull(way, model.between(both, job), rng)
            found += [{"way": way, "prints": k} | row for k, row in enumerate(rows)]
    return pd.DataFrame(found).groupby(["way", "prints"], sort=False).mean()


def taken(held: Held, at: NDArray[np.intp]) -> Held:
    """The held-out prints at ``at``."""
    return Held(held.setups.iloc[at].reset_index(drop=True), held.measured[at], held.true[at])


def _covariance(known: Belief, at: NDArray[np.intp], spread: Array) -> Array:
    """(n, 3, 3) of the prints at ``at``."""
    own = known.unknown[at, :, at, :] + known.scatter[at]
    return own * (spread**2)[:, None, None]


def figures(bench: Bench, folder: Path) -> dict[str, pd.DataFrame]:
    """Ink -> its figures."""
    rng = np.random.default_rng(bench.seed)
    held = {name: prints for name, prints, _ in kinds(folder, bench.shop)}["unseen_ink"]
    of = held.setups["ink_id"].to_numpy()
    found = {}
    for one in dict.fromkeys(of):
        mine = taken(held, np.flatnonzero(of == one))
        both = [ink(bench.model, bench.shop, mine, rng), pulled(bench, mine, rng)]
        found[f"{bench.seed} {one}"] = pd.concat(both)
    return found


def in_words(inks: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Mean over inks and its standard error; what planning gains, ink by ink."""
    every = pd.concat(inks, names=["ink"])
    by = every.groupby(["way", "prints"], sort=False)
    table = by.mean().map("{:.2f}".format) + " +- " + by.sem().map("{:.2f}".format)
    table["dE00 less as planned"] = ""
    for ways in (WAYS, PULLED):
        for way in ways[1:]:
            more = every.xs(way, level="way")["mean dE00"]
            gain = (more - every.xs(ways[0], level="way")["mean dE00"]).groupby("prints")
            said = gain.mean().map("{:.2f}".format) + " +- " + gain.sem().map("{:.2f}".format)
            table.loc[way, "dE00 less as planned"] = said.to_numpy()
    return table


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("new_ink", __doc__)
    report.parser.add_argument("--seed", type=int, nargs="+", default=[101, 102, 103])
    found: dict[str, pd.DataFrame] = {}
    for seed in report.parse(argv).seed:
        folder = folder_of("medium", seed)
        shop = tables(folder)
        model = ShiftModel().fit(shop, progress=Progress())
        found |= figures(Bench(seed, shop, model, model), folder)
    report.table(f"{len(found)} inks, mean and its standard error", in_words(found))
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
