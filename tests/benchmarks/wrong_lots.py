"""A lot whose every print was written down under the wrong ink, on shops of the second family.

``python -m tests.benchmarks.wrong_lots [--part choose|check|last] [--workers N]``. Of each shop
(`tests.worlds`) one lot of three to five prints, of an ink of ten and more, gets the colours that
another ink would have given. Its prints agree with each other, and are no news of the lot. Each
shop is learnt as it is and with that lot. *Kept*: prints of the lot that were learnt from. Then
what is asked of the ink later on - next prints, a new mesh, a new garment - in dE00 to the
noise-free colour, median and 90 % quantile, and the share of measured L, a, b in 90 % bands:
without the wrong lot, and with it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.normal import Z90, sd_of
from learn.predict.model import ShiftModel
from pipelines.workspace.progress import Progress
from tests.benchmarks.results import Report
from tests.worlds import tables
from tests.worlds.light import lab_of
from tests.worlds.parts import PARTS, Which
from tests.worlds.shop import Drawn, draw_shop

ASKED = ("next", "new_mesh", "new_garment")
LOT, INK = range(3, 6), 10  # prints of the lot, and of its ink at least


def spoilt(drawn: Drawn, seed: int) -> tuple[Drawn, int, NDArray[np.intp]] | None:
    """The shop with one such lot, its ink, and the positions of its prints; None where it has no
    lot of so many prints."""
    rng, history = np.random.default_rng(seed), drawn.history
    prints_of = history["ink"].value_counts()
    lots = [
        rows.index.to_numpy()
        for (ink, _), rows in history.reset_index(drop=True).groupby(["ink", "lot"])
        if len(rows) in LOT and prints_of[ink] >= INK and not set(rows.index) & set(drawn.wrong)
    ]
    if not lots:
        return None
    at = lots[rng.integers(len(lots))]
    ink = int(history["ink"].iloc[at[0]])
    other = rng.choice([i for i in prints_of.index if i != ink])
    really = history.iloc[at].assign(ink=other)
    really["lot"] = history.loc[history["ink"] == other, "lot"].iloc[0]
    measured = drawn.measured.copy()
    measured[at] = drawn.world.measure(rng, really)
    return replace(drawn, measured=measured), ink, at


def asked(drawn: Drawn, ink: int) -> tuple[ShiftModel, pd.DataFrame]:
    """The model of a shop, and what it says of later prints of the ink, a row a print."""
    shop = tables.read(drawn)
    model = ShiftModel(n_jobs=1).fit(shop)
    found = []
    for kind in ASKED:
        query = drawn.queries[kind]
        own = (query.setups["ink"] == ink).to_numpy()
        said = model.predict_lab(tables.read_query(drawn, shop, query))
        off = np.abs(lab_of(query.measured) - said.mean) / sd_of(said.covariance)
        found.append(
            pd.DataFrame(
                {
                    "dE00": delta_e00(said.mean, query.true_lab)[own],
                    "inside": (off[own] <= Z90).mean(axis=1),
                }
            )
        )
    return model, pd.concat(found, ignore_index=True)


def of_shop(which: Which) -> dict[str, float | str] | None:
    """One line on a shop; None where it has no such lot."""
    drawn = draw_shop(*which)
    if (with_lot := spoilt(drawn, which.seed)) is None:
        return None
    wrong, ink, at = with_lot
    line: dict[str, float | str] = {"kind": which.kind, "n": len(drawn.history), "lot": len(at)}
    for name, one in {"": drawn, " with it": wrong}.items():
        model, found = asked(one, ink)
        aside = set(model.set_aside_["print_id"])
        if name:
            line["kept"] = sum(f"H{i + 1:05d}" not in aside for i in at)
        line["asked"] = len(found)
        line[f"dE00{name}"] = found["dE00"].median()
        line[f"p90{name}"] = found["dE00"].quantile(0.9)
        line[f"cover %{name}"] = 100 * found["inside"].mean()
    return line


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    from joblib import Parallel, delayed

    report = Report("wrong_lots", __doc__)
    parser = report.parser
    parser.add_argument("--part", choices=PARTS, default="choose")
    parser.add_argument("--workers", type=int, default=2)
    arguments = report.parse(argv)
    shops = PARTS[arguments.part]
    Progress()(f"{len(shops)} shops, {arguments.workers} at once")
    lines = Parallel(n_jobs=arguments.workers)(delayed(of_shop)(which) for which in shops)
    told = {f"{w.kind} {w.seed}": one for w, one in zip(shops, lines, strict=True) if one}
    report.table("Shops that have such a lot", told)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
