"""Short marks of table rows, to tell later whether anything learnt from has changed."""

from __future__ import annotations

import pandas as pd

from learn.fit.eras import eras_of
from learn.fit.lot_cards import describing
from learn.physics.drawdowns import LAB, SPECTRUM
from learn.shop import SETUP_COLUMNS, Shop

Marks = dict[str, dict[str, int]]  # table -> id -> mark


def marks_of(shop: Shop) -> Marks:
    """A mark a row of each table, drawdowns together for each ink and for each lot."""
    own = describing(shop.drawdowns)
    cards = shop.drawdowns[~own]
    tables = {
        "inks": (shop.inks, "ink_id"),
        "substrates": (shop.substrates, "substrate_id"),
        "meshes": (shop.meshes, "mesh_id"),
        "drawdowns": (shop.drawdowns[own], "ink_id"),
        "cards": (cards.assign(card=cards["ink_id"] + ", lot " + cards["ink_lot"]), "card"),
        "prints": (shop.prints[["print_id", *SETUP_COLUMNS, *LAB, *SPECTRUM]], "print_id"),
    }
    out: Marks = {}
    for name, (frame, key) in tables.items():
        # sorted, so that neither the order of columns nor of rows counts
        # and other names of a thing, and what it is mixed of, are nothing to learn from
        counted = sorted(set(frame.columns) - {"aliases", "mix"})
        row = pd.util.hash_pandas_object(frame[counted], index=False)
        if name == "prints":  # one that counts as printed after a change of its press is another
            era, begun = eras_of(frame["press_id"], frame["printed_on"], shop.changes)
            row += pd.util.hash_pandas_object(era, index=False).where(begun.notna(), 0)
        row = row.groupby(frame[key].to_numpy()).sum()  # wraps round, as a mark may
        out[name] = {str(k): int(v) for k, v in row.items()}
    return out


def changes(learnt: Marks, now: Marks) -> list[str]:
    """What was learnt from and is now different or gone: "print P12", "drawdowns of C07"."""
    kind = {"inks": "ink", "substrates": "substrate", "meshes": "mesh", "prints": "print"}
    kind |= {"cards": "cards of ink"}
    return [
        f"{kind.get(table, f'{table} of')} {name}"
        for table, marks in learnt.items()
        for name, mark in marks.items()
        if now[table].get(name) != mark
    ]
