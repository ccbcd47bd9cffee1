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


FEW = 4  # prints here, from which on an ink is known by these


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


def summary_of_shop(kept: Archive, state: State, name: str, shares: Shares) -> Told | None:
    """What a shop tells of inks it ``shares``; None without a model of its tables as they are."""
    found = _in_charge(kept, state)
    if found is None or not shares:
        return None
    charge, digest = found
    summary = charge.model.summary(name)
    if isinstance(shares, tuple):
        summary = summary.renamed({ink: ink for ink in shares})
    return Told(summary, f"{name}\x1f{digest}\x1f{','.join(map(str, summary.inks))}")


def tell_shop(kept: Archive, state: State, others: Sequence[Told]) -> str | None:
    """Tell a shop what ``others`` know of its inks, and put in charge what comes of it: what was
    done, in short; None where it was told just that before, or has no model of its tables."""
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
    data = to_shop(state.given)
    own = _own_names(data)
    model = charge.model.recall(data).told_by([one.summary.renamed(own) for one in others])
    if not model.sisters_.heard and not charge.model.sisters_.heard:
        return None  # too few inks in common to tell
    learnt = {
        **charge.facts["learnt"],
        "how": "told",
        "why": "other plants of the group know its inks",
        "fitted": charge.fitted,
        "after": charge.version,
    }
    facts = {**charge.facts, "learnt": learnt, "told_of": key.hexdigest()}
    version = versions.save(kept, *model.to_state(), facts, charge=True, mark=mark)
    followed = [one.plant for one in model.sisters_.heard if math.isfinite(one.widening)]
    if not followed:
        return f"no other plant's word brings its own inks nearer; model {version} says so"
    inks = counted(len(model.sisters_.inks), "ink")
    return f"told of {inks} by {' and '.join(followed)}; model {version} is in charge"


def _in_charge(kept: Archive, state: State) -> tuple[Charge, str] | None:
    """The model in charge, if it has learnt the tables as they are, and their digest."""
    from pipelines.registry import promotion, versions
    from pipelines.tables.folder import to_shop

    digest = versions.fingerprint(state.given)
    charge = promotion.opened(kept, versions.in_charge(kept), to_shop(state.given))
    if charge is None or charge.facts["data_sha256"] != digest:
        return None
    return charge, digest


def _own_names(data: Shop) -> dict[str, str]:
    """What another plant may call an ink -> what this one does: its id, or one of its aliases."""
    aliases = data.inks["aliases"] if "aliases" in data.inks else [None] * len(data.inks)
    own = {
        name.strip(): ink
        for ink, text in zip(data.inks["ink_id"], aliases, strict=True)
        for name in (text or "").split(";")
        if name.strip()
    }
    return own | {ink: ink for ink in data.inks["ink_id"]}
