"""What a set-up leaves open that wants a test print: whether filling it in, or a card of a lot
nobody has printed yet, is all that it takes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from learn.process import SETTING_COLUMNS
from pipelines.tasks.usual import with_strokes
from pipelines.words.left_open import CardOf, LeftOpen

if TYPE_CHECKING:
    import pandas as pd

    from learn.predict.model import ShiftModel
    from learn.shop import Shop
    from pipelines.registry.opened import Opened
    from pipelines.tasks.usual import Usual

# What somebody at the press or the screen can say at once.
READ_OFF = ("flash_count", "press_id", *SETTING_COLUMNS)
Lot = tuple[str, str]  # ink and lot
Cells = dict[str, object]  # column -> what it is filled in with


def left_open(
    opened: Opened, usual_of: Callable[[], Usual], setups: pd.DataFrame, found: pd.DataFrame
) -> list[LeftOpen]:
    """Of ``setups`` (n rows), predicted as ``found``, those that go once filled in, or once a card
    of their lot has shown that it is like the ink's own.

    A cell is filled in as the shop mostly does it on that garment with inks of that type, by
    ``usual_of``, asked where it is needed; what was never written down stays open.
    """
    model = opened.model
    rows, new = may_go(opened, setups, found)
    if rows.empty:
        return []
    usual = usual_of()
    full, cells = _filled_in(rows, usual)
    filled = dict(zip(rows.index, cells, strict=True))
    told = _gone(model, full, {i: (given, None) for i, given in filled.items() if given})
    rest = {i: new[i] for i in rows.index if i not in told and new[i] is not None}
    if rest:
        carded, cards = _as_if_carded(model, usual.shop, set(rest.values()))
        own = {i: cards[lot] for i, lot in rest.items() if lot in cards}
        told |= _gone(carded, rows, {i: ({}, card) for i, card in own.items()})
        both = {i: (filled[i], card) for i, card in own.items() if i not in told and filled[i]}
        told |= _gone(carded, full, both)
    return [told[i] for i in rows.index if i in told]


def may_go(
    opened: Opened, setups: pd.DataFrame, found: pd.DataFrame
) -> tuple[pd.DataFrame, pd.Series]:
    """Of ``setups``, predicted as ``found``, those that something is left open of and that would go
    if they were surer; and the lot of each nobody has printed yet, None where it is known."""
    import pandas as pd

    from learn.predict.causes import Verdict

    wanted = (found["verdict"] == Verdict.TEST) & found["target_dE00"].notna()
    rows = setups[wanted.to_numpy()]
    lots = [
        (str(ink), str(lot)) if pd.notna(lot) and not opened.model.knows_lot(ink, lot) else None
        for ink, lot in zip(rows["ink_id"], rows["ink_lot"], strict=True)
    ]
    new = pd.Series(lots, rows.index, dtype=object)
    rows = rows[rows.reindex(columns=list(READ_OFF)).isna().any(axis=1) | new.notna()]
    return rows, new


def _gone(
    model: ShiftModel, setups: pd.DataFrame, given: Mapping[int, tuple[Cells, CardOf | None]]
) -> dict[int, LeftOpen]:
    """Of ``setups`` those that go by ``model`` of the ones that something is ``given`` of."""
    from pipelines.words.verdict import kind

    if not given:
        return {}
    asked = setups.loc[list(given)]
    return {
        i: LeftOpen(str(row["setup_id"]), cells, float(row["p_in_tolerance"]), card)
        for (i, (cells, card)), row in zip(
            given.items(), model.predict(asked).to_dict("records"), strict=True
        )
        if kind(row) == "go"
    }


def _filled_in(rows: pd.DataFrame, usual: Usual) -> tuple[pd.DataFrame, list[Cells]]:
    """Set-ups with what they leave open as it mostly is, and the cells of each that this fills."""
    import pandas as pd

    pairs = rows[["substrate_id", "ink_id"]].drop_duplicates()
    mostly = {(g, i): usual.setup([g], [i])[0] for g, i in pairs.itertuples(index=False)}
    filled = [
        {c: told for c in READ_OFF if pd.isna(row.get(c)) and pd.notna(told := usually.get(c))}
        for row in rows.to_dict("records")
        for usually in [with_strokes(mostly[row["substrate_id"], row["ink_id"]], row["strokes"])]
    ]
    by_column = {
        c: rows[c].where(rows[c].notna(), pd.Series([f.get(c) for f in filled], rows.index))
        for c in READ_OFF
    }
    return rows.assign(**by_column), filled


def _as_if_carded(
    model: ShiftModel, shop: Shop, lots: set[Lot]
) -> tuple[ShiftModel, dict[Lot, CardOf]]:
    """The model as it would be if a card of each of ``lots`` read like the ink's own, and how such
    a card is drawn down; not of an ink without a card."""
    from dataclasses import replace

    import pandas as pd

    from learn.fit.lot_cards import as_usual

    cards = as_usual(shop.drawdowns, sorted(lots))
    drawn = {
        (str(ink), str(lot)): CardOf(
            str(ink), str(lot), float(of["film_um"].iloc[0]), tuple(of["substrate_id"].unique())
        )
        for (ink, lot), of in cards.groupby(["ink_id", "ink_lot"])
    }
    if not drawn:
        return model, drawn
    drawdowns = pd.concat([shop.drawdowns, cards], ignore_index=True)
    return model.told_of(replace(shop, drawdowns=drawdowns)), drawn
