"""What each part of the model is worth, on every held-out kind of a generated shop.

``python -m tests.benchmarks.ablation [--recipe ...] [--seed N]``; each step adds to the one
before:

* *physics*: constants calibrated to the history, nothing else learnt;
* *+ plain GP*: the free terms alone, a Gaussian process on what is left in L, a, b;
* *+ tangents*: every term, most of them along the directions of the physics;
* *+ inks*: K and S of each ink, as uncertain as its drawdowns leave them and bent by its prints.
"""

from __future__ import annotations

import argparse
import time

from learn.gp.terms import TERMS
from learn.predict.model import ShiftModel
from pipelines.workspace.progress import Progress
from tests.benchmarks.measures import bands, colours, in_words, summary
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
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.ablation",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_shop_options(parser)
    arguments = parser.parse_args(argv)
    progress = Progress()
    folder = folder_of(arguments.recipe, arguments.seed)
    shop = tables(folder)
    found: dict[str, dict[str, dict[str, float]]] = {}
    for step, parameters in STEPS.items():
        progress(f"{step}: {len(shop.prints)} prints")
        started = time.perf_counter()
        model = ShiftModel(**parameters).fit(shop)
        took = time.perf_counter() - started
        found[step] = {
            kind: summary(bands(colours(model, held), held))
            for kind, held, _ in kinds(folder, shop)
        }
        print(f"{arguments.recipe}, seed {arguments.seed}, {step}: fit in {took:.0f} s")
        print(in_words(found[step]), flush=True)
    for column, title in SHOWN.items():
        print(f"\n{arguments.recipe}, seed {arguments.seed}: {title}")
        by_kind = {k: {s: found[s][k][column] for s in STEPS} for k in found["physics"]}
        print(in_words(by_kind), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
