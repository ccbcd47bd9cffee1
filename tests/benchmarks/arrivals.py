"""Slips made on purpose in right prints the model has not seen: found? named? right ones doubted?

``python -m tests.benchmarks.arrivals [--seed N]``: a shop is invented and learnt from. Of its
held-out prints, all are held against the model as they are; then every fourth of the kind "nothing
new" is spoilt, one in a batch of ten.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pandas as pd

from learn.monitoring import inspection
from learn.predict.model import ShiftModel
from pipelines.tables.bases import usual_bases
from pipelines.tables.folder import read_folder
from tests.benchmarks import shops
from tests.benchmarks.results import Report

Array = np.ndarray
EVERY, BATCH = 4, 10


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("arrivals", __doc__)
    shops.add_shop_options(report.parser)
    options = report.parse(argv)
    folder = shops.folder_of(options.recipe, options.seed)
    checked = read_folder(folder / "tables", name="invented")
    model = ShiftModel().fit(checked.shop)
    bases = usual_bases(checked.given.tables["prints"])
    held = {kind: held for kind, held, _ in shops.kinds(folder, checked.shop)}
    right = {
        kind: {
            "n": len(one),
            "doubted": int(look(model, one.setups, one.measured, bases).doubtful.sum()),
        }
        for kind, one in held.items()
    }
    right["all"] = {
        column: sum(row[column] for row in right.values()) for column in ("n", "doubted")
    }
    report.table(f"{options.recipe}, seed {options.seed}: right prints doubted", right)
    nothing_new = held["next_prints"]
    prints, lab = nothing_new.setups, nothing_new.measured
    spoil = Spoil(model, bases, prints, lab)
    rng = np.random.default_rng(options.seed)
    inks = list(model.encoder_.inks.index)

    other = [rng.choice([ink for ink in inks if ink != one]) for one in prints["ink_id"]]
    swapped = prints.assign(ink_id=pd.Series(other, dtype=object), ink_lot=None)
    slips = {"ink swapped": spoil.score(swapped, lab, lambda i: prints["ink_id"].iloc[i])}

    based = prints["underbase_ink_id"].notna().to_numpy()
    wrong = prints.copy()
    for column in inspection.UNDERBASE:
        wrong[column] = prints[column].where(~based, None).where(based, bases[column].iloc[0])
    wrong["underbase_strokes"] = wrong["underbase_strokes"].astype(float)
    slips["base wrong"] = spoil.score(wrong, lab, lambda i: prints["underbase_ink_id"].iloc[i])
    for name, (order, sign) in list(inspection.TYPED.items())[:3]:
        typed = np.empty_like(lab)
        typed[:, order] = lab * np.array(sign)
        slips[name] = spoil.score(prints, typed, lambda _, name=name: name)
    report.table("Slips made on purpose", slips)
    report.record()
    return 0


def look(
    model: ShiftModel, prints: pd.DataFrame, lab: Array, bases: pd.DataFrame
) -> inspection.Arrival:
    """The check on arrival, of colours that were typed in."""
    prints = prints.assign(print_id=prints["setup_id"])
    typed = np.ones(len(prints), bool)
    return inspection.inspect_arrivals(model, prints, lab, typed=typed, bases=bases)


class Spoil(NamedTuple):
    """Right prints and the model that looks at them."""

    model: ShiftModel
    bases: pd.DataFrame
    prints: pd.DataFrame
    lab: Array

    def score(
        self, prints: pd.DataFrame, lab: Array, truth: Callable[[int], str | None]
    ) -> dict[str, int]:
        """Spoil one row of each batch by these rows; count found, named, named wrongly."""
        found = named = wrong = tried = 0
        for i in range(0, len(prints), EVERY):
            rows = np.arange(max(0, i - BATCH // 2), min(len(prints), i + BATCH // 2))
            at = int(np.flatnonzero(rows == i)[0])
            here = self.prints.iloc[rows].reset_index(drop=True)
            here.loc[at, prints.columns] = prints.iloc[i]
            colours = self.lab[rows].copy()
            colours[at] = lab[i]
            told = look(self.model, here, colours, self.bases)
            tried += 1
            found += bool(told.doubtful[at])
            if (slip := told.slips[at]) is not None:
                ok = (truth(i) or "") in slip.names
                named, wrong = named + ok, wrong + (not ok)
        return {"n": tried, "found": found, "named rightly": named, "named wrongly": wrong}


if __name__ == "__main__":
    raise SystemExit(main())
