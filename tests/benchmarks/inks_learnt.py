"""What first prints tell of an ink never printed, on shops of the second family.

``python -m tests.benchmarks.inks_learnt [--part choose|check|last] [--kind KIND] [--shops N]
[--workers N]``. Every ink that a shop (`tests.worlds`) never printed gets one and then three test
prints: those that `learn.planning.new_ink` plans, or usual set-ups at random. They are printed by
the shop's own laws, with its noise, read, and learnt (`append`); then `SETUPS` set-ups of the
shop's usual run with this ink are predicted. *Card off*: the bucket on the press is not the one of
the card, but half as strong again and turned in hue; *not judged* is the same, had all inks the
same trust in their cards. What an operator is sure of is learnt though it lies far off.

Columns: dE00 to the noise-free colour; share of measured L, a, b in 90 % bands; root mean square of
standardised errors; mean width of bands; by how much dE00 is less than at random, ink by ink, with
the standard error of that.
"""

from __future__ import annotations

import copy
from dataclasses import replace
from unittest.mock import patch

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.fit import update
from learn.normal import Z90, sd_of
from learn.planning.new_ink import past_of, plan_ink, usual_of
from learn.predict.model import ShiftModel
from learn.process import SETTING_COLUMNS
from learn.shop import SETUP_COLUMNS
from tests.benchmarks.planned import Bench
from tests.benchmarks.results import Report
from tests.worlds import tables
from tests.worlds.light import NM, lab_of
from tests.worlds.parts import PARTS, Which
from tests.worlds.shop import KINDS
from tests.worlds.world import World

Array = NDArray[np.floating]

PRINTS = (1, 3)
SETUPS = 90
PLANNED, RANDOM = "as planned", "at random"
OFF, UNJUDGED = "card off", "card off, not judged"
STRONGER, TURNED = 1.5, 0.3  # absorption of a bucket unlike its card; log, from 400 to 700 nm
FIGURES = ("dE00", "cover %", "spread", "width")


def of_shop(which: Which) -> pd.DataFrame:
    """A row an ink, way and number of prints."""
    bench = Bench.of(which)
    inks = bench.drawn.world.inks.frame["ink_id"]
    new = [bench.drawn.queries[kind].setups["ink"] for kind in ("ink_new", "ink_white")]
    rows = [row for at in np.unique(np.concatenate(new)) for row in of_ink(bench, inks[at], at)]
    return pd.DataFrame(rows).assign(shop=which.seed, **{"shop kind": which.kind})


def of_ink(bench: Bench, ink: str, at: int) -> list[dict]:
    """`FIGURES` before any print and after those of every way."""
    usual = usual_of(past_of(bench.model, ink, bench.shop.prints))
    planned = plan_ink(bench.model, ink, bench.shop.prints, most=max(PRINTS)).prints
    drawn = usual.iloc[bench.rng.choice(len(usual), max(PRINTS), replace=False)]
    world = bench.drawn.world
    absorption = world.inks.absorption.copy()
    absorption[at] *= STRONGER * np.exp(TURNED * (NM - 550) / 300)
    off = replace(world, inks=replace(world.inks, absorption=absorption))
    setups = asked(bench, ink)
    rows = [{"ink": ink, "way": "no print", "prints": 0, **figures(bench, world, setups)}]
    for way, tests, truth in (
        (PLANNED, planned, world),
        (RANDOM, drawn, world),
        (OFF, planned, off),
        (UNJUDGED, planned, off),
    ):
        tests = of_today(bench, tests.assign(ink_id=ink))
        read = lab_of(truth.measure(bench.rng, really(bench, tests)))
        for k in PRINTS:
            with patch.object(
                update, "contradicted", no_judge if way == UNJUDGED else update.contradicted
            ):
                model = told(bench, tests.iloc[:k], read[:k])
            found = figures(bench, truth, setups, model)
            rows.append({"ink": ink, "way": way, "prints": k, **found})
    return rows


def no_judge(*_: object) -> None:
    """Every ink is off its card by as much as is usual."""


def asked(bench: Bench, ink: str) -> pd.DataFrame:
    """Set-ups of the usual run, printed with this ink."""
    typed = tables.read_query(bench.drawn, bench.shop, bench.drawn.queries["ink_new"])
    return of_today(bench, typed.assign(ink_id=ink).head(SETUPS))


def of_today(bench: Bench, setups: pd.DataFrame) -> pd.DataFrame:
    """On the last day of the history, each a job of its own, on a press that is known and with its
    usual settings."""
    day = tables.FIRST_DAY + pd.Timedelta(days=bench.day)
    jobs = [f"T{i}" for i in range(len(setups))]
    setups = setups.reset_index(drop=True).assign(printed_on=day, job_id=jobs, ink_lot=None)
    setups = setups.assign(**{c: bench.usual[c] for c in SETTING_COLUMNS}, readings=3.0)
    return setups.assign(press_id=setups["press_id"].fillna(bench.usual["press_id"]))


def really(bench: Bench, setups: pd.DataFrame) -> pd.DataFrame:
    """The same as the world wants them, each a job of its own."""
    return bench.really(setups).assign(job=np.arange(len(setups)))


def told(bench: Bench, tests: pd.DataFrame, read: Array) -> ShiftModel:
    """The shop's model with test prints learnt on top."""
    names = [f"TEST{i}" for i in range(len(tests))]
    rows = tests.reindex(columns=SETUP_COLUMNS)
    rows = rows.assign(print_id=names, **dict(zip("Lab", read.T, strict=True)))
    prints = pd.concat([bench.shop.prints, rows], ignore_index=True)
    return copy.copy(bench.model).append(replace(bench.shop, prints=prints), trusted=names)


def figures(
    bench: Bench, truth: World, setups: pd.DataFrame, model: ShiftModel | None = None
) -> dict[str, float]:
    """`FIGURES` of set-ups as ``model`` predicts and ``truth`` prints them."""
    said = (model or bench.model).predict_lab(setups)
    printed = really(bench, setups)
    read = lab_of(truth.measure(np.random.default_rng(1), printed))
    off, sd = np.abs(read - said.mean), sd_of(said.covariance)
    values = (
        delta_e00(said.mean, lab_of(truth.reflectance(printed))).mean(),
        100 * (off <= Z90 * sd).mean(),
        np.sqrt(((off / sd) ** 2).mean()),
        2 * Z90 * sd.mean(),
    )
    return dict(zip(FIGURES, map(float, values), strict=True))


def tell(rows: pd.DataFrame, report: Report) -> None:
    """Means over inks, by kind of shop."""
    for kind, own in rows.groupby("shop kind", sort=False):
        by = own.groupby(["way", "prints"], sort=False)
        table = by[list(FIGURES)].mean()
        table.insert(0, "n", by.size())
        of_ink = own.set_index(["shop", "ink", "way", "prints"])["dE00"]
        gain = (of_ink.xs(RANDOM, level="way") - of_ink.xs(PLANNED, level="way")).groupby("prints")
        for k in PRINTS:
            table.loc[(PLANNED, k), "less than at random"] = gain.mean()[k]
            table.loc[(PLANNED, k), "give or take"] = gain.sem()[k]
        report.table(f"{kind}, {own['shop'].nunique()} shops", table)


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("inks_learnt", __doc__)
    parser = report.parser
    parser.add_argument("--part", choices=PARTS, default="choose")
    parser.add_argument("--kind", choices=KINDS, action="append", help="of shop (default: all)")
    parser.add_argument("--shops", type=int, help="of each kind of shop (default: all)")
    parser.add_argument("--workers", type=int, default=2)
    given = report.parse(argv)
    from joblib import Parallel, delayed

    shops = [
        which
        for kind in given.kind or KINDS
        for which in [w for w in PARTS[given.part] if w.kind == kind][: given.shops]
    ]
    found = Parallel(n_jobs=given.workers)(delayed(of_shop)(which) for which in shops)
    tell(pd.concat(found, ignore_index=True), report)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
