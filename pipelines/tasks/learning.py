"""A shop learnt: what came in scored as a forecast, then learnt, stored and judged.

Tables and an archive of models in, additions to the archive out: the same here and in a worker.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipelines.tables.schema import SHOP_TABLES
from pipelines.tasks.learnt import nothing_new, report, scored, told, told_in_detail
from pipelines.tasks.lots import lots_of_batch, presses_moved
from pipelines.words.common import counted

if TYPE_CHECKING:
    from learn.assessment.forecasts import Paired
    from learn.predict.model import ShiftModel
    from learn.shop import Shop
    from pipelines.ledger.state import State
    from pipelines.registry.archive import Archive
    from pipelines.registry.promotion import Charge, Step
    from pipelines.registry.report_card import Record


LOCK = ".learning"  # held in the folder of models while they are learnt or stored


@dataclass(frozen=True)
class Sent:
    """What a shop is learnt from, beside the models it has: tables as they hold now.

    ``stamp``: of the database they were read from (`versions.database_stamp`).
    """

    name: str
    state: State
    stamp: str


def learn_shop(
    kept: Archive,
    shop: Sent,
    *,
    refit: bool = False,
    details: bool = False,
    n_jobs: int | None = None,
    progress: Callable[[str], None],
    tell: Callable[[str], None] = print,
) -> str:
    """Score what came in as a forecast, learn it, store the new version and judge it.

    ``tell`` is given what there is to say, line by line; returned is what came of it, in short.
    Where another computer puts a version in charge before the long work has begun, it begins again
    with that one.
    """
    from pipelines.registry.sealed import Overtaken

    while True:
        with suppress(Overtaken):
            return _learn_shop(kept, shop, refit, details, n_jobs, progress, tell)
        progress("another version was put in charge meanwhile; looking again")


def _learn_shop(
    kept: Archive,
    shop: Sent,
    refit: bool,
    details: bool,
    n_jobs: int | None,
    progress: Callable[[str], None],
    tell: Callable[[str], None],
) -> str:
    from learn.workers import usual_workers
    from pipelines.registry import promotion, report_card, versions
    from pipelines.registry.catalogue import Catalogue
    from pipelines.registry.promotion import Step
    from pipelines.registry.sealed import Overtaken
    from pipelines.registry.unlearnt import marks_now, new_prints
    from pipelines.tables.folder import to_shop

    state, given = shop.state, shop.state.given
    data, digest = to_shop(given), versions.fingerprint(given)
    card = report_card.read(kept)
    scored_before = len(card)
    mark, in_charge = kept.mark(), _in_charge(kept)
    charge = promotion.opened(kept, in_charge, data)
    step, marks = Step("refit", "it is the first"), {}
    if charge is not None:
        marks = marks_now(charge.model, data)
        charge, mark, card, back = _forecasts(
            kept, mark, charge, data, marks, card, state.doubted(), digest, tell
        )
        step = promotion.next_step(charge, data, marks, given.trusted, card)
        if step.how == "append" and back:
            step = Step("refit", "what was appended last made forecasts worse")
    elif in_charge is not None:
        step = Step("refit", f"model {in_charge} cannot be read by this version")
    if kept.mark() != mark:
        raise Overtaken
    if refit:
        step = Step("refit", "--refit asks for it")
    elif charge is not None and (
        step.how == "nothing" or versions.refused(kept, charge.version, digest)
    ):
        lines = [nothing_new(kept, charge, digest), *report(charge.model.validation_)]
        more = told_in_detail(card[scored_before:], charge.model) if details else []
        for line in [*lines, *more]:
            tell(line)
        return lines[0]

    new = new_prints(charge.model, marks) if charge else []
    if charge is not None and step.how == "append":
        model, paired = promotion.appended(charge, data, new, given.trusted, progress)
    else:
        progress(f"learning from {counted(len(data.prints), 'print')} of shop {shop.name}")
        model, paired = promotion.learnt_anew(
            charge, data, marks, given.trusted, progress, n_jobs or usual_workers()
        )
    takes, why = _verdict(charge, data, paired, step, in_charge)
    facts: dict[str, Any] = {
        "data_sha256": digest,
        "database_sha256": shop.stamp,
        "rows": {table: len(getattr(data, table)) for table in SHOP_TABLES},
        "set_aside_on_import": len(given.set_aside),
        "waiting": len(given.waiting),
        "set_aside": model.set_aside_.to_dict("records"),
        "catalogue": Catalogue.of(data).facts(),
        "validation": model.validation_,
        "learnt": {
            "how": step.how,
            "why": step.why,
            "fitted": charge.fitted if charge and step.how == "append" else None,
            "after": charge.version if charge else None,
            "put_in_charge": takes,
            "because": why,
            "compared": paired._asdict() if paired else None,
        },
    }
    now = charge.version if charge else in_charge
    version, overtaken = _stored(kept, model, facts, takes, mark)
    if overtaken is not None:
        takes, now, why = False, overtaken, f"model {overtaken} was put in charge meanwhile"
    progress("done")
    lines = told(step, charge, model, new, len(data.prints))
    lines += lots_of_batch(model, data, new if charge else None)
    lines += presses_moved(model, charge.model if charge else None, data)
    lines.append(f"Stored as version {version} in {kept.where(version)}.")
    place = _in_whose_place(version, takes, now, why)
    more = told_in_detail(card[scored_before:], model) if details else []
    for line in [*lines, *place, *more]:
        tell(line)
    return f"{lines[0]} {place[0]}"


def _in_whose_place(version: str, takes: bool, now: str | None, why: str) -> list[str]:
    if takes:
        return [f"Model {version} is in charge: {why}."]
    return [
        f"Model {version} is kept, not used; {now} stays in charge: {why}.",
        f"strikeoff models --use {version} puts it in charge all the same.",
    ]


def _stored(
    kept: Archive, model: ShiftModel, facts: dict[str, Any], takes: bool, mark: str
) -> tuple[str, str | None]:
    """The number of the new version, and the one that was put in charge meanwhile, if any."""
    from pipelines.registry import versions
    from pipelines.registry.sealed import Overtaken

    arrays, meta = model.to_state()
    try:
        return versions.save(kept, arrays, meta, facts, charge=takes, mark=mark), None
    except Overtaken:
        now = _in_charge(kept)
        why = f"model {now} was put in charge meanwhile"
        facts["learnt"] |= {"put_in_charge": False, "because": why}
        return versions.save(kept, arrays, meta, facts, charge=False), now


def _in_charge(kept: Archive) -> str | None:
    """As `versions.in_charge`; where that is not known, what to call it."""
    from pipelines.registry import versions

    with versions.damage_passed_over():
        return versions.in_charge(kept)
    return "that was in charge"


def _verdict(
    charge: Charge | None,
    data: Shop,
    paired: Paired | None,
    step: Step,
    in_charge: str | None,
) -> tuple[bool, str]:
    """Whether the new model takes over, and why."""
    from pipelines.registry import promotion
    from pipelines.registry.unlearnt import same_colours

    if charge is None:
        return True, f"model {in_charge} cannot be read" if in_charge else "it is the first"
    if not same_colours(charge.model, data):
        return True, (
            f"under another illuminant or observer it cannot be compared with {charge.version}"
        )
    return promotion.judgement(paired, charge.version, step.how)


def _forecasts(
    kept: Archive,
    mark: str,
    charge: Charge,
    data: Shop,
    marks: dict,
    card: list[Record],
    doubted: list[str],
    digest: str,
    tell: Callable[[str], None],
) -> tuple[Charge, str, list[Record], bool]:
    """Score the batch; the rival takes over where the model in charge has forecast worse.

    The rival is the version before the one in charge, or one that was kept and not used. The
    last of the answer says whether what was appended since the rival did harm.
    """
    from pipelines.registry import promotion, report_card, versions
    from pipelines.registry.report_card import in_words

    others = [v for v in kept.names() if v != charge.version]
    rival = promotion.opened(kept, others[-1], data) if others else None
    records = promotion.score_batch(kept, charge, rival, data, marks, card, doubted)
    while records is None:  # another computer was first
        card = report_card.read(kept)
        records = promotion.score_batch(kept, charge, rival, data, marks, card, doubted)
    for record in records[:1]:
        for line in scored(record):
            tell(line)
    card = [*card, *records]
    # Forecast by a program killed before it could learn from them: judged now.
    left = promotion.forecast_not_learnt(card, charge) and not versions.has_learnt(kept, digest)
    worse = promotion.forecast_worse(card, charge, rival) if records or left else None
    if worse is None or rival is None:
        return charge, mark, card, False
    tell(
        f"Model {rival.version} takes over: {charge.version} forecast recent batches "
        f"{in_words(worse)}: worse beyond doubt."
    )
    mark = versions.put_in_charge(kept, rival.version, mark)
    return rival, mark, card, int(rival.version) < int(charge.version)
