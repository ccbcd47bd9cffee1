"""How far a shop gets that has described its shelf and printed nothing else yet.

``python -m tests.benchmarks.first_day`` lets the invented demo shop begin in three ways, and
predicts the same held-out prints from each:

* *shirts*: every ink on a white and a black shirt, with and without the white base, through
  one mesh on one press, Lab alone; no drawdown at all;
* *cards*: its drawdowns; no print at all;
* *both*.

The shirts are printed by the optics that made the demo shop (``datasets/demo/README.md``).
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd

from datasets.demo.history import PRINT_COLUMNS, finish
from datasets.demo.recipe import MEDIUM
from datasets.demo.shop import LAB, _printed
from datasets.demo.world import World, generator, read_lab
from learn.predict.model import ShiftModel
from learn.shop import Shop
from pipelines.workspace.progress import Progress
from tests.benchmarks.measures import answer, bands, summary, verdicts
from tests.benchmarks.results import Report
from tests.benchmarks.shops import DEMO, DEMO_SEED, Held, kinds, tables

WHITE_SHIRT, BLACK_SHIRT, BASE, MESH = "G01", "G02", "U1", "M61-64"
INKS_A_JOB = 6


def two_shirts(world: World) -> pd.DataFrame:
    """Four prints an ink and two of the base, as rows of ``prints.csv``."""
    inks = [i for i, ink in world.inks.items() if ink.role == "colour"]
    tried = [(i, g, b) for i, g, b in product(inks, (WHITE_SHIRT, BLACK_SHIRT), (None, BASE))]
    tried += [(BASE, WHITE_SHIRT, None), (BASE, BLACK_SHIRT, None)]
    prints = pd.DataFrame(tried, columns=["ink_id", "substrate_id", "underbase_ink_id"])
    based = prints["underbase_ink_id"].notna()
    prints = prints.assign(
        print_id=[f"T{i + 1:03d}" for i in range(len(prints))],
        job_id=[f"T-J{i:02d}" for i in prints.groupby("ink_id").ngroup() // INKS_A_JOB],
        day=0,
        press_id="P1",
        underbase_mesh_id=based.map({True: MESH, False: None}),
        underbase_strokes=np.where(based, 2.0, np.nan),
        mesh_id=MESH,
        strokes=1,
        flash_count=0,
        squeegee_shore_a=70.0,
        squeegee_angle_deg=15.0,
        off_contact_mm=2.5,
        eom_um=12.0,
        readings=3,
    )
    prints = finish(world, prints)
    rng = generator(world.seed, "two shirts")
    lab = read_lab(_printed(world, prints, rng), prints["readings"].to_numpy(float), rng)
    prints = prints[PRINT_COLUMNS].assign(printed_on=pd.to_datetime(prints["printed_on"]))
    return prints.assign(**dict(zip(LAB, lab.T, strict=True)))


def beginnings(shop: Shop) -> dict[str, Shop]:
    """The shop as it would begin: by shirts, by cards, by both."""
    shirts = two_shirts(World(MEDIUM, DEMO_SEED)).reindex(columns=shop.prints.columns)
    texts = [c for c in shirts if c.endswith("_id") or c == "ink_lot"]
    shirts[texts] = shirts[texts].astype(object).where(shirts[texts].notna(), None)
    no_cards, no_prints = shop.drawdowns.iloc[:0], shop.prints.iloc[:0]
    return {
        "shirts": replace(shop, drawdowns=no_cards, prints=shirts),
        "cards": replace(shop, prints=no_prints),
        "both": replace(shop, prints=shirts),
    }


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("first_day", __doc__)
    report.parse(argv)
    shop, progress = tables(DEMO), Progress()
    tolerance = shop.settings.tolerance_dE00

    def line(model: ShiftModel, held: Held) -> dict[str, float]:
        said = answer(model, held)
        return summary(bands(said, held)) | verdicts(said, held, tolerance)

    for name, begun in beginnings(shop).items():
        title = f"{name}: {len(begun.drawdowns)} drawdowns, {len(begun.prints)} prints"
        progress(title)
        model = ShiftModel().fit(begun)
        rows = {kind: line(model, held) for kind, held, _ in kinds(DEMO, shop)}
        report.table(title, rows)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
