"""What a set-up leaves open that wants a test print: whether filling it in is all that it takes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from learn.process import SETTING_COLUMNS, SETTINGS
from pipelines.tasks.usual import Usual
from pipelines.words.common import chance, counted, named

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.registry.opened import Opened
    from pipelines.workspace.folders import Workspace

# What somebody at the press or the screen can say at once.
READ_OFF = ("press_id", *SETTING_COLUMNS)
TOLD = 5  # so many set-ups are named


class LeftOpen(NamedTuple):
    """A set-up that wants a test print, and would go if what it leaves open were as usual."""

    setup_id: str
    cells: dict[str, object]  # column -> how the shop mostly does it
    p_in_tolerance: float


def left_open(
    opened: Opened, workspace: Workspace, shop: str, setups: pd.DataFrame, found: pd.DataFrame
) -> list[LeftOpen]:
    """Of ``setups`` (n rows), predicted as ``found``, those that go once filled in.

    A cell is filled in as the shop mostly does it on that garment with inks of that type; what it
    never wrote down stays open.
    """
    import pandas as pd

    from learn.predict.causes import Verdict
    from pipelines.words.verdict import kind

    empty = setups.reindex(columns=list(READ_OFF)).isna()
    tested = found["verdict"].to_numpy() == Verdict.TEST
    rows = setups[tested & empty.any(axis=1).to_numpy()]
    if rows.empty:
        return []
    from pipelines.ledger import store  # slow to import, and seldom needed

    usual = Usual(store.read(workspace.database(shop)))
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


def one_left_open(one: LeftOpen, presses: Mapping[str, str | None]) -> str:
    """What to fill in, of one set-up."""
    return (
        f"with {_words(one, presses)}, as the shop mostly has it, this would go straight to "
        f"production ({chance(one.p_in_tolerance)}). Give what is really so before a test is "
        f"printed."
    )


def many_left_open(found: list[LeftOpen], presses: Mapping[str, str | None]) -> str:
    """What to fill in, of several."""
    each = [f"{one.setup_id} ({_words(one, presses)})" for one in found[:TOLD]]
    each += [f"and {len(found) - TOLD} more"] * (len(found) > TOLD)
    leave = "it leaves" if len(found) == 1 else "they leave"
    return (
        f"{counted(len(found), 'set-up')} with a test print first would go straight to production "
        f"if what {leave} open were as the shop mostly has it: {'; '.join(each)}. "
        f"Give what is really so before a test is printed."
    )


def _words(one: LeftOpen, presses: Mapping[str, str | None]) -> str:
    press = str(one.cells.get("press_id", ""))
    said = [f"press {named(press, presses.get(press))}"] if press else []
    said += [f"{s.label} {one.cells[s.name]:g} {s.unit}" for s in SETTINGS if s.name in one.cells]
    return " and ".join(filter(None, [", ".join(said[:-1]), said[-1]]))
