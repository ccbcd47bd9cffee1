"""What plants of a group tell each other of inks, and where a prediction rests on that."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import pandas as pd

    from learn.kinship.summary import Summary
    from learn.predict.model import ShiftModel
    from learn.predict.protocol import PrintModel
    from learn.shop import Shop
    from pipelines.ledger.state import State
    from pipelines.registry.archive import Archive
    from pipelines.registry.promotion import Charge
    from pipelines.tables.group import Shares


class Told(NamedTuple):
    """What one plant tells, and a text that changes when it would tell something else."""

    summary: Summary
    key: str


class Known(NamedTuple):
    """What a plant tells the others, if anything, and whether it was told anything itself."""

    tells: Told | None = None
    told: bool = False


FEW = 4  # prints here, from which on an ink is known by these
MOST = 8  # plants that one is told by: more take their time, and say little more


def told_inks(
    model: PrintModel, names: Mapping[str, str | None], setups: pd.DataFrame
) -> list[str]:
    """Where what is known of inks printed seldom or never here comes from; ``names``: of inks."""
    from pipelines.words.sisters import ink_sentence

    return [
        ink_sentence(ink, model.prints_of(ink), plants, names)
        for ink in setups["ink_id"].unique()
        if (plants := model.sisters_of(ink)) and model.prints_of(ink) < FEW
    ]


def told_in_short(model: ShiftModel, data: Shop) -> list[str]:
    """Which plants told of how many inks, and which were not followed."""
    from pipelines.words.sisters import status_lines

    names = dict(zip(data.inks["ink_id"], data.inks["ink_name"], strict=True))
    printed = [ink for ink in names if model.prints_of(ink)]
    return list(status_lines(model.sisters_, printed, names))


def known_of(kept: Archive, state: State, name: str, shares: Shares) -> Known:
    """What a shop knows of inks that it ``shares``; nothing where no model has learnt its tables as
    they are."""
    found = _in_charge(kept, state)
    if found is None:
        return Known()
    charge, digest = found
    was_told = bool(charge.model.sisters_.heard)
    if not shares:
        return Known(None, was_told)
    summary = charge.model.summary(name)
    if isinstance(shares, tuple):
        summary = summary.renamed({ink: ink for ink in shares})
    key = f"{name}\x1f{digest}\x1f{','.join(map(str, summary.inks))}"
    return Known(Told(summary, key), was_told)


def worth_hearing(state: State, others: Sequence[Told]) -> tuple[Told, ...]:
    """What others tell of a shop's own inks, by its own names; of many plants, those that have
    most prints of them."""
    own = _own_names(state.given.tables["inks"])
    told = [one._replace(summary=one.summary.renamed(own)) for one in others]
    prints = [sum(ink.prints for ink in one.summary.inks.values()) for one in told]
    most = sorted(range(len(told)), key=lambda i: -prints[i])[:MOST]
    return tuple(told[i] for i in sorted(most))


def tell_shop(kept: Archive, state: State, others: Sequence[Told]) -> str | None:
    """Tell a shop what ``others`` know of its inks, and put in charge what comes of it: what was
    done, in short; None where it was told just that before, or has no model of its tables.

    Told by nobody, it forgets what it was told before.
    """
    from pipelines.registry import versions
    from pipelines.tables.folder import to_shop
    from pipelines.words.common import counted

    found, mark = _in_charge(kept, state), kept.mark()
    if found is None:
        return None
    charge, digest = found
    key = hashlib.sha256("\n".join([digest, *sorted(one.key for one in others)]).encode())
    if charge.facts.get("told_of") == key.hexdigest():
        return None
    model = charge.model.recall(to_shop(state.given)).told_by([one.summary for one in others])
    if not model.sisters_.heard and not charge.model.sisters_.heard:
        return None  # too few inks in common to tell
    learnt = {
        **charge.facts["learnt"],
        "how": "told",
        "why": "other plants of the group know its inks" if others else "no plant tells it of inks",
        "fitted": charge.fitted,
        "after": charge.version,
    }
    facts = {**charge.facts, "learnt": learnt, "told_of": key.hexdigest()}
    version = versions.save(kept, *model.to_state(), facts, charge=True, mark=mark)
    if not others:
        return f"No plant tells it of inks any more; model {version} goes without"
    followed = [one.plant for one in model.sisters_.heard if math.isfinite(one.widening)]
    if not followed:
        return f"What others say brings its own inks no nearer; model {version} goes without"
    inks = counted(len(model.sisters_.inks), "ink")
    return f"Told of {inks} by {' and '.join(followed)}; model {version} is in charge"


def _in_charge(kept: Archive, state: State) -> tuple[Charge, str] | None:
    """The model in charge, if it has learnt the tables as they are, and their digest."""
    from pipelines.registry import promotion, versions
    from pipelines.registry.unlearnt import unlearnt
    from pipelines.tables.folder import to_shop

    shop = to_shop(state.given)
    charge = promotion.opened(kept, versions.in_charge(kept), shop)
    if charge is None or unlearnt(charge.model, shop, state.given.trusted):
        return None
    return charge, versions.fingerprint(state.given)


def _own_names(inks: pd.DataFrame) -> dict[str, str]:
    """What another plant may call an ink -> what this one does: its id, or one of its aliases."""
    ids = inks["ink_id"].str.strip()
    aliases = inks["aliases"].fillna("") if "aliases" in inks else [""] * len(ids)
    own = {
        name.strip(): ink
        for ink, text in zip(ids, aliases, strict=True)
        for name in text.split(";")
        if name.strip()
    }
    return own | {ink: ink for ink in ids}
