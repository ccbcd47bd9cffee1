"""Lots and presses that print otherwise than before: for ``learn``, ``record``, ``status``."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

from learn.shop import NEW_LOT

if TYPE_CHECKING:
    import pandas as pd

    from learn.predict.model import ShiftModel
    from learn.shop import Shop
    from pipelines.workspace.folders import Workspace


def lots_of_batch(model: ShiftModel, data: Shop, print_ids: Collection[str] | None) -> list[str]:
    """Of the lots that these prints are of, or of all."""
    from pipelines.words.lots import lot_lines

    found, prints = model.lots(data.prints), data.prints
    if print_ids is not None:
        own = prints[prints["print_id"].isin(print_ids)]
        came = set(zip(own["ink_id"], own["ink_lot"], strict=True))
        found = [lot for lot in found if (lot.ink, lot.lot) in came]
    return list(lot_lines(found, _names(data)))


def lots_in_use(model: ShiftModel, data: Shop) -> list[str]:
    """Of the lots that are the latest of their ink."""
    from learn.shop import latest_lots
    from pipelines.tables.dates import last_day
    from pipelines.words.lots import lot_lines

    latest = latest_lots(data.prints, last_day())
    found = [lot for lot in model.lots(data.prints) if latest.get(lot.ink) == lot.lot]
    return [*lot_lines(found, _names(data)), *carded_lots(model, _names(data))]


def carded_lots(
    model: ShiftModel, names: Mapping[str, str | None], setups: pd.DataFrame | None = None
) -> list[str]:
    """What cards say of lots never printed: of all, or of those that ``setups`` are printed from
    or might be, where they say no more than that it is a new one. ``names``: of inks."""
    told, found = [], model.carded()
    if not found:
        return []
    from pipelines.words.lots import carded_sentence

    if setups is None:
        return [carded_sentence(one, names) for one in found]
    asked = set(zip(setups["ink_id"], setups["ink_lot"], strict=True))
    for one in found:
        if (one.ink, one.lot) in asked:
            told.append(carded_sentence(one, names))
        elif (one.ink, NEW_LOT) in asked:
            said = carded_sentence(one, names)
            told.append(f"{said} If it is the {NEW_LOT} one, name it as the lot.")
    return told


def presses_moved(model: ShiftModel, before: ShiftModel | None, data: Shop) -> list[str]:
    """Of presses that lay otherwise from some day on, but those a model ``before`` knew."""
    from pipelines.registry.catalogue import Catalogue
    from pipelines.words.status import moved_lines

    known = before.moved_presses() if before else []
    found = [one for one in model.moved_presses() if not any(map(one.same_as, known))]
    return list(moved_lines(found, Catalogue.of(data).called("presses"))) if found else []


def news_recorded(workspace: Workspace, shop: str, print_ids: Collection[str]) -> list[str]:
    """Of the lots of a batch just stored, and of its presses, by what the model in charge would
    learn of it; nothing where it cannot learn the batch without learning all anew."""
    from pipelines.ledger import store
    from pipelines.registry.opened import open_model
    from pipelines.tables.folder import to_shop

    given = store.read(workspace.database(shop))
    data = to_shop(given)
    opened = open_model(workspace, shop, given=given)
    if opened.recorded is None:
        return []
    told = presses_moved(opened.counted, opened.learnt, data)
    return told + lots_of_batch(opened.counted, data, print_ids)


def cards_recorded(workspace: Workspace, shop: str) -> list[str]:
    """What cards say of lots never printed, once they are stored; nothing without a model."""
    from pipelines.ledger import store
    from pipelines.registry import promotion, versions
    from pipelines.registry.archive import archive_of
    from pipelines.tables.folder import to_shop

    data = to_shop(store.read(workspace.database(shop)))
    if data.drawdowns["ink_lot"].isna().all():
        return []
    kept = archive_of(workspace, shop)
    charge = promotion.opened(kept, versions.in_charge(kept), data)
    return [] if charge is None else carded_lots(charge.model, _names(data))


def _names(data: Shop) -> dict[str, str | None]:
    return dict(zip(data.inks["ink_id"], data.inks["ink_name"], strict=True))
