"""A card of a lot nobody has printed: what it does to predictions of its prints.

``python -m tests.benchmarks.lot_cards [--part choose|check|last] [--shops N] [--workers N]``. The
shops of `tests.benchmarks.news`, each learnt once and asked for prints of lots it has never
printed: those among its next prints, and those of the kind lot_new. Then it is told one draw of
each of these lots over a white and a black card (`tests.worlds.cards`), as thick as the ink's own
were meant, and asked again. Columns as in `news`.

The second table is what a card is advised by: of set-ups with a test print first, how many would go
if a card of their lot read just like the ink's own (that is what is told), of how many lots, how
many of them go with the card as it really reads, and how many of these came out within tolerance;
and how many of the others go.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00
from learn.fit.lot_cards import as_usual
from learn.normal import Z90
from learn.predict.causes import Verdict
from learn.predict.model import ShiftModel
from learn.predict.verdict import chance_needed
from learn.shop import Shop
from tests.benchmarks import of_part
from tests.benchmarks.results import Report
from tests.worlds import tables
from tests.worlds.cards import draw_cards
from tests.worlds.light import lab_of
from tests.worlds.parts import Which
from tests.worlds.shop import draw_shop
from tests.worlds.world import chance_within

ASKED = ("next", "lot_new")


def of_shop(which: Which) -> pd.DataFrame:
    """Every print of a lot never printed, a row each without and with a card of it."""
    drawn = draw_shop(*which)
    shop = tables.read(drawn)
    model = ShiftModel(n_jobs=1).fit(shop)
    asked, lots = {}, {}
    for kind in ASKED:
        query = drawn.queries[kind]
        setups = tables.read_query(drawn, shop, query)
        new = [
            isinstance(lot, str) and not model.knows_lot(ink, lot)
            for ink, lot in zip(setups["ink_id"], setups["ink_lot"], strict=True)
        ]
        asked[kind] = query, setups[new].reset_index(drop=True), np.array(new)
        at = query.setups["lot"].to_numpy(int)[new]
        named = asked[kind][1][["ink_id", "ink_lot"]].itertuples(index=False, name=None)
        lots |= dict(zip(named, at, strict=True))
    cards = draw_cards(drawn, list(lots.values()), np.random.default_rng(which.seed))
    carded = model.told_of(_with(shop, cards))
    as_told = model.told_of(_with(shop, as_usual(shop.drawdowns, lots)))
    out = []
    for kind, (query, setups, new) in asked.items():
        if not len(setups):
            continue
        true, measured, target = query.true_lab[new], lab_of(query.measured)[new], query.target[new]
        prints = drawn.world.next_prints(query.setups)
        chance = chance_within(prints, query.target, shop.settings.tolerance_dE00)[new]
        common = {
            "shop kind": which.kind,
            "seed": which.seed,
            "kind": kind,
            "lot": setups["ink_lot"],
            "oracle": chance >= chance_needed(shop.settings),
            "held": delta_e00(measured, target) <= shop.settings.tolerance_dE00,
            "told": as_told.predict(setups)["verdict"] == Verdict.GO,
            "tested": model.predict(setups)["verdict"] == Verdict.TEST,
        }
        for name, one in (("without", model), ("with a card", carded)):
            said = one.predict_lab(setups)
            sd = np.sqrt(np.einsum("nii->ni", said.covariance))
            frame = pd.DataFrame(common).assign(
                card=name,
                dE00=delta_e00(said.mean, true),
                inside=(np.abs(measured - said.mean) <= Z90 * sd).mean(axis=1),
                width=2 * Z90 * sd.mean(axis=1),
                go=(one.predict(setups)["verdict"] == Verdict.GO).to_numpy(),
            )
            out.append(frame)
    return pd.concat(out, ignore_index=True)


def _with(shop: Shop, cards: pd.DataFrame) -> Shop:
    drawdowns = pd.concat([shop.drawdowns, cards], ignore_index=True)
    return replace(shop, drawdowns=drawdowns.astype({"ink_lot": object}))


def figures(some: pd.DataFrame) -> dict[str, float]:
    """One line on some prints."""
    go = some["go"]
    return {
        "n": len(some),
        "lots": some.groupby("seed")["lot"].nunique().sum(),
        "dE00": some["dE00"].median(),
        "p90": some["dE00"].quantile(0.9),
        "cover %": 100 * some["inside"].mean(),
        "width": some["width"].mean(),
        "go %": 100 * go.mean(),
        "oracle %": 100 * some["oracle"].mean(),
        "held %": 100 * some.loc[go, "held"].mean() if go.any() else np.nan,
    }


def advice(some: pd.DataFrame) -> dict[str, float]:
    """Of set-ups with a test print first, what is told of a card of their lot, and what it does."""
    tested = some[some["tested"] & (some["card"] == "with a card")]
    told, others = tested[tested["told"]], tested[~tested["told"]]
    gone = told[told["go"]]
    return {
        "n": len(tested),
        "told": len(told),
        "of lots": told.groupby("seed")["lot"].nunique().sum(),
        "then go %": 100 * told["go"].mean(),
        "held %": 100 * gone["held"].mean(),
        "others go %": 100 * others["go"].mean(),
    }


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    report = Report("lot_cards", __doc__)
    of_part.add_options(report.parser)
    arguments = report.parse(argv)
    found = pd.concat(of_part.asked(arguments, of_shop))
    for kind, some in found.groupby("shop kind", sort=False):
        by = some.groupby(["kind", "card"], sort=False)
        rows = {f"{asked}, {card}": figures(of) for (asked, card), of in by}
        report.table(f"{kind}, {some['seed'].nunique()} shops: prints of lots never printed", rows)
    told = {kind: advice(some) for kind, some in found.groupby("shop kind", sort=False)}
    report.table("A card in the place of a test print", told)
    report.record()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
