"""What each part of the model is worth, on every held-out kind of a generated shop.

``python -m tests.benchmarks.ablation [--recipe ...] [--seed N]``; each step adds to the one
before:

* *physics*: constants calibrated to the history, nothing else learnt;
* *+ plain GP*: the free terms alone, a Gaussian process on what is left in L, a, b;
* *+ tangents*: every term, most of them along the directions of the physics;
* *+ inks*: K and S of each ink, as uncertain as its drawdowns leave them and bent by its prints.
"""

from __future__ import annotations

from learn.fit.residual import TERMS
from learn.predict.model import ShiftModel
from pipelines.workspace.progress import Progress
from tests.benchmarks.measures import bands, colours, summary
from tests.benchmarks.results import Report
from tests.benchmarks.shops import add_shop_options, folder_of, kinds, tables

FREE = [term for term in TERMS if term.direction == "free"]
STEPS = {
    "physics": {"terms": [], "calibrate_inks": False},
    "+ plain GP": {"terms": FREE, "calibrate_inks": False},
    "+ tangents": {"terms": TERMS, "calibrate_inks": False},
    "+ inks": {"terms": TERMS, "calibrate_inks": True},
}
SHOWN = {"dE00": "median dE00", "cover %": "coverage of 90 % bands", "energy": "energy score"}


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("ablation", __doc__)
    add_shop_options(report.parser)
    arguments = report.parse(argv)
    progress = Progress()
    folder = folder_of(arguments.recipe, arguments.seed)
    shop = tables(folder)
    found: dict[str, dict[str, dict[str, float]]] = {}
    for step, parameters in STEPS.items():
        progress(f"{step}: {len(shop.prints)} prints")
        model = ShiftModel(**parameters).fit(shop)
        found[step] = {
            kind: summary(bands(colours(model, held), held))
            for kind, held, _ in kinds(folder, shop)
        }
    for column, title in SHOWN.items():
        by_kind = {k: {s: found[s][k][column] for s in STEPS} for k in found["physics"]}
        report.table(f"{arguments.recipe}, seed {arguments.seed}: {title}", by_kind)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
