"""What a set-up leaves open that wants a test print: whether filling it in is all that it takes."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from learn.process import SETTING_COLUMNS
from pipelines.words.left_open import LeftOpen

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.registry.opened import Opened
    from pipelines.tasks.usual import Usual

# What somebody at the press or the screen can say at once.
READ_OFF = ("press_id", *SETTING_COLUMNS)


def left_open(
    opened: Opened, usual_of: Callable[[], Usual], setups: pd.DataFrame, found: pd.DataFrame
) -> list[LeftOpen]:
    """Of ``setups`` (n rows), predicted as ``found``, those that go once filled in.

    A cell is filled in as the shop mostly does it on that garment with inks of that type, by
    ``usual_of``, asked where it is needed; what was never written down stays open.
    """
    import pandas as pd

    from learn.predict.causes import Verdict
    from pipelines.words.verdict import kind

    empty = setups.reindex(columns=list(READ_OFF)).isna()
    tested = found["verdict"].to_numpy() == Verdict.TEST
    rows = setups[tested & empty.any(axis=1).to_numpy()]
    if rows.empty:
        return []
    usual = usual_of()
    pairs = rows[["substrate_id", "ink_id"]].drop_duplicates()
    mostly = {(g, i): usual.setup([g], [i])[0] for g, i in pairs.itertuples(index=False)}
    filled = [
        {c: told for c in READ_OFF if pd.isna(row.get(c)) and pd.notna(told := usually.get(c))}
        for row in rows.to_dict("records")
        for usually in [mostly[row["substrate_id"], row["ink_id"]]]
    ]
    by_column = {
        c: rows[c].where(rows[c].notna(), pd.Series([f.get(c) for f in filled], rows.index))
        for c in READ_OFF
    }
    full = rows.assign(**by_column)
    then = opened.predict(full).to_dict("records")
    return [
        LeftOpen(str(row["setup_id"]), cells, float(row["p_in_tolerance"]))
        for row, cells in zip(then, filled, strict=True)
        if cells and kind(row) == "go"
    ]
