"""Is every reason that a plan gives true of the model that gave it?

``python -m tests.benchmarks.reasons [--part choose|check|last] [--shops N] [--jobs N]`` learns the
demo shop and some of the second family (`tests.worlds`), and plans random jobs: targets that some
set-up prints, that lie near such a colour, and far from any; with all inks and screens, and with
few. Every reason is a claim about the model and is held against it (`tests.planning.checked`):
that nothing reaches a garment against all set-ups and the chances of the nearest, more or less ink
against a screen that holds a fifth more or less, what shows against the contrast that the ink's own
film leaves, looks against L*, chroma and hue angle. A reason of several garments or looks is as
many claims.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from learn.planning.candidates import Limits
from learn.planning.plan import usual_setup
from learn.predict.model import ShiftModel
from learn.shop import Shop, latest_lots
from pipelines.workspace.progress import Progress
from tests.benchmarks.results import Report
from tests.benchmarks.shops import DEMO_SEED, folder_of
from tests.benchmarks.shops import tables as demo_tables
from tests.planning.checked import Checked
from tests.worlds import tables
from tests.worlds.parts import PARTS
from tests.worlds.shop import KINDS, draw_shop

GARMENTS, SEED = 4, 11


def checked(shop: Shop, model: ShiftModel) -> Checked:
    """The shop on its last day, on some of the garments it has printed on."""
    often = shop.prints["substrate_id"].value_counts().index.to_numpy()
    garments = np.random.default_rng(SEED).choice(often, GARMENTS, replace=False)
    usual = usual_setup(shop.prints, [])
    fixed = {"printed_on": shop.prints["printed_on"].max(), "readings": 3.0}
    limits = Limits(presses=(usual["press_id"],), fixed=fixed, lots=latest_lots(shop.prints))
    return Checked(model, usual, sorted(garments), limits)


def tell(claims: pd.DataFrame, report: Report) -> None:
    """The figures."""

    def shares(some: pd.DataFrame) -> dict[str, float]:
        return {
            "n": len(some),
            "right %": 100 * some["right"].mean(),
            "wrong": (~some["right"]).sum(),
        }

    report.table("Reasons, by what is said", {s: shares(x) for s, x in claims.groupby("said")})
    rows = {shop: shares(some) for shop, some in claims.groupby("shop", sort=False)}
    report.table("By shop", rows | {"all": shares(claims)})


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("reasons", __doc__)
    parser = report.parser
    parser.add_argument("--part", choices=PARTS, default="choose")
    parser.add_argument("--shops", type=int, default=1, help="of each kind (default 1)")
    parser.add_argument("--jobs", type=int, default=36, help="a shop")
    arguments, progress = report.parse(argv), Progress()
    shops = [("demo", lambda: demo_tables(folder_of("medium", DEMO_SEED)))]
    for kind in KINDS:
        some = [w for w in PARTS[arguments.part] if w.kind == kind][: arguments.shops]
        shops += [(f"{kind} {w.seed}", lambda w=w: tables.read(draw_shop(*w))) for w in some]
    found = []
    for name, read in shops:
        progress(name)
        shop = read()
        of_shop = checked(shop, ShiftModel(n_jobs=1).fit(shop))
        found += [{"shop": name, **one._asdict()} for one in of_shop.claims(arguments.jobs, SEED)]
    tell(pd.DataFrame(found), report)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
