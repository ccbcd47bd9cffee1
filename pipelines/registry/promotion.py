"""How a shop learns: score the batch as a forecast, append it or fit anew, decide who predicts."""

from __future__ import annotations

import copy
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from learn.errors import Unusable
from pipelines.registry import report_card
from pipelines.registry.archive import Archive
from pipelines.registry.catalogue import OF_VERDICT
from pipelines.registry.opened import read_model
from pipelines.registry.report_card import Record, in_words
from pipelines.registry.unlearnt import new_prints, same_colours, unlearnt
from pipelines.words.common import counted
from pipelines.workspace.problems import Kind, UserError

if TYPE_CHECKING:
    from learn.assessment.forecasts import Paired
    from learn.predict.model import ShiftModel
    from learn.shop import Shop

GROWN = 0.10  # of the prints appended since the last full fit: then all is learnt anew


@dataclass(frozen=True)
class Charge:
    """A stored model that can be read, its version and the full fit it continues."""

    model: ShiftModel
    version: str
    fitted: str
    facts: dict[str, Any]


@dataclass(frozen=True)
class Step:
    """What is to be done: "append", "refit" or "nothing", and why."""

    how: str
    why: str


def opened(kept: Archive, version: str | None, shop: Shop) -> Charge | None:
    """A stored version, ready to forecast and to learn on; None where it cannot be read.

    It is told of what the tables of ``shop`` hold that it has not learnt.
    Settings that only verdicts rest on are those of ``shop``: nothing is learnt from them.
    """
    if version is None:
        return None
    try:
        stored, model = read_model(kept, version)
    except UserError as error:
        if error.kind != Kind.DAMAGED:
            raise
        return None
    verdict = {name: getattr(shop.settings, name) for name in OF_VERDICT}
    model.settings_ = replace(model.settings_, **verdict)
    model = model.told_of(shop)
    fitted = stored.facts.get("learnt", {}).get("fitted") or stored.version
    return Charge(model, stored.version, fitted, stored.facts) if model.marks_ else None


def score_batch(
    kept: Archive,
    charge: Charge,
    rival: Charge | None,
    shop: Shop,
    marks: dict,
    card: list[Record],
    doubted: list[str],
) -> list[Record] | None:
    """What the model in charge and its rival forecast of prints neither had learnt from, put
    on the report card. Every print is forecast once; None, and nothing put there, where another
    computer has added to the card since it was read.

    Prints that the check on arrival has set aside (``doubted``) are counted beside them, once:
    most are slips, which are no miss of the model. One that is brought back is new, and is
    forecast before it is learnt like any other.
    """
    from learn.assessment.forecasts import forecast

    done = report_card.forecast_already(card)
    batch = {
        name: marks["prints"][name]
        for name in new_prints(charge.model, marks)
        if (name, marks["prints"][name]) not in done
    }
    aside = [name for name in doubted if name not in report_card.counted_already(card)]
    if not (batch or aside) or not same_colours(charge.model, shop):
        return []
    prints = shop.prints[shop.prints["print_id"].isin(list(batch))]
    records = []
    for one in (charge, rival if batch else None):
        if one is None or not same_colours(one.model, shop):
            continue
        if one is rival and not batch.keys().isdisjoint(one.model.marks_["prints"]):
            continue  # it has learnt some of them
        found = forecast(one.model, prints)
        unknown = len(prints) - len(found)
        record = Record(one.version, one is charge, one.fitted, found, batch, unknown)
        records.append(replace(record, aside=aside) if one is charge else record)
    return records if report_card.add(kept, records, card) else None


def forecast_not_learnt(card: list[Record], charge: Charge) -> bool:
    """Whether the latest forecast in charge is of prints that the model has not learnt."""
    own = [record for record in card if record.in_charge and record.marks]
    return bool(own) and own[-1].marks.keys().isdisjoint(charge.model.marks_["prints"])


def forecast_worse(card: list[Record], charge: Charge, rival: Charge | None) -> Paired | None:
    """How the model in charge forecast against its rival, where it was surely worse."""
    from learn.assessment.forecasts import compare

    both = report_card.pairs(card, charge.version, rival.version) if rival else []
    if not both:
        return None
    one, other = (pd.concat([pair[i].forecasts for pair in both]) for i in (0, 1))
    paired = compare(one, other)
    return paired if paired is not None and paired.surely_worse else None


def next_step(
    charge: Charge, shop: Shop, marks: dict, trusted: Collection[str], card: list[Record]
) -> Step:
    """Append, fit anew, or nothing to learn."""
    from learn.assessment.forecasts import honesty

    found = unlearnt(charge.model, shop, trusted, marks)
    if not found:
        return Step("nothing", "")
    if found.setting:
        return Step("refit", f"{found.setting} has changed in shop.toml")
    if found.changed:
        return Step("refit", f"{found.contrary} changed since model {charge.version} learnt")
    if found.released:
        left_out = f"{found.released[0]}, once left out as plainly wrong"
        return Step("refit", f"{left_out}, is to be learnt from")
    if not found.new:
        return Step("append", "rows of inks, garments, meshes or drawdowns were added")
    grown, total = charge.model.appended_ + len(found.new), len(marks["prints"])
    if grown > GROWN * total:
        return Step(
            "refit",
            f"{grown} of {counted(total, 'print')} came since all was last learnt anew, more than "
            f"{100 * GROWN:.0f} %",
        )
    recent = report_card.since_fitted(card, charge.fitted)
    if recent is not None and (why := honesty(recent).moved):
        return Step("refit", f"recent prints contradict how sure the model is: {why}")
    return Step(
        "append",
        f"{grown} of {counted(total, 'print')} came since all was last learnt anew, at most "
        f"{100 * GROWN:.0f} %; nothing learnt from has changed",
    )


def appended(
    charge: Charge, shop: Shop, new: list[str], trusted: Collection[str], say: Callable[[str], None]
) -> tuple[ShiftModel, Paired | None]:
    """The model in charge with the new prints learnt as well, compared with it."""
    model = copy.copy(charge.model)
    model.append(shop, say, trusted)
    say("learning half of the batch at a time, to see whether it helps the other half")
    return model, judged_append(charge, shop, new, trusted)


def learnt_anew(
    charge: Charge | None,
    shop: Shop,
    marks: dict,
    trusted: Collection[str],
    say: Callable[[str], None],
    n_jobs: int | None = None,
) -> tuple[ShiftModel, Paired | None]:
    """A model fitted to everything by ``n_jobs`` workers and told what the one in charge was told,
    compared with that where that can be."""
    from learn.predict.model import (
        ShiftModel,  # takes seconds to import; the help must not wait for it
    )

    model = ShiftModel(n_jobs=n_jobs).fit(shop, say, trusted)
    if charge is None or not same_colours(charge.model, shop):
        return model, None
    if said := charge.model.sisters_.summaries:
        say("taking in once more what other plants told")
        model = model.told_by(said)
    say(f"comparing with model {charge.version} on jobs held back")
    return model, judged_refit(model, charge, shop, marks)


def judged_append(
    charge: Charge, shop: Shop, new: list[str], trusted: Collection[str]
) -> Paired | None:
    """Appending against not appending: each half of the batch forecast with the other learnt."""
    from learn.assessment.forecasts import FEWEST_JOBS, by_halves, compare, forecast

    prints = shop.prints[shop.prints["print_id"].isin(new)]
    if prints["job_id"].nunique() + prints["job_id"].isna().sum() < FEWEST_JOBS:
        return None
    before = forecast(charge.model, prints)
    return compare(by_halves(charge.model, shop, new, trusted), before)


def judged_refit(candidate: ShiftModel, charge: Charge, shop: Shop, marks: dict) -> Paired | None:
    """Both models on the prints both learnt, every job forecast without it (closed form)."""
    from learn.assessment.forecasts import compare, left_out

    learnt = charge.model.marks_["prints"]
    same = [name for name, mark in marks["prints"].items() if learnt.get(name) == mark]
    prints = shop.prints[shop.prints["print_id"].isin(same)]
    known = ~prints.index.isin(
        prints.index[charge.model.encoder_.unknown(prints)["row"].to_numpy(int)]
    )
    try:
        old = charge.model.recall(replace(shop, prints=prints[known]))
    except Unusable:
        return None
    return compare(left_out(candidate), left_out(old))


def judgement(paired: Paired | None, version: str, how: str) -> tuple[bool, str]:
    """Whether a candidate takes over from ``version``, and the reason in words."""
    if paired is None:
        if how == "append":
            return True, (
                f"too few jobs in the batch to compare it with model {version}; the next batch "
                "will be forecast by both"
            )
        return True, f"it cannot be compared with model {version}"
    told = f"it forecast {in_words(paired)}, beside model {version}"
    on = "on jobs of the batch not learnt" if how == "append" else "on jobs held back"
    worse = "worse beyond doubt" if paired.surely_worse else "worse by more than 5 %"
    if not paired.worse:
        return True, f"{on}, {told}" + (": not clearly worse" if paired.change > 0 else "")
    return False, f"{on}, {told}: {worse}"
