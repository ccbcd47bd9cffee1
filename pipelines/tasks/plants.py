"""What is done for one shop of a group, from tables and models that were sent; stores nothing."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from learn.errors import Unusable
from pipelines.registry.parcel import Parcel
from pipelines.tasks.crew import Key
from pipelines.tasks.learning import Sent, learn_shop
from pipelines.tasks.sisters import Known, Told, known_of, tell_shop
from pipelines.words.group import Plant
from pipelines.workspace.problems import UserError

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel
    from learn.shop import Shop
    from pipelines.tables.group import Shares

POINTS = 4  # of the learning curve, a task each


@dataclass(frozen=True)
class Asked:
    """One task: a shop as it was sent; ``part``: which point of the learning curve, if one;
    ``shares``: of what it knows of inks; ``others``: what other plants tell it of these."""

    sent: Sent
    parcel: Parcel
    condition: str | None = None
    refit: bool = False
    part: int | None = None
    shares: Shares = False
    others: tuple[Told, ...] = ()

    @property
    def key(self) -> Key:
        return self.sent.name, self.part


@dataclass(frozen=True)
class Learnt:
    """A shop learnt or told: what is to be stored, and the shop as it is then."""

    parcel: Parcel
    plant: Plant
    known: Known = field(default_factory=Known)


def learn_plant(asked: Asked) -> Learnt:
    """Learn what is new, as `strikeoff learn` does."""
    done = learn_shop(
        asked.parcel, asked.sent, refit=asked.refit, n_jobs=1, progress=_unsaid, tell=_unsaid
    )
    plant = replace(look_at(asked), done=done)
    known = known_of(asked.parcel, asked.sent.state, asked.sent.name, asked.shares)
    return Learnt(_added(asked.parcel), plant, known)


def tell_plant(asked: Asked) -> Learnt:
    """Tell a shop what others know of its inks."""
    done = tell_shop(asked.parcel, asked.sent.state, asked.others)
    return Learnt(_added(asked.parcel), replace(look_at(asked), done=done or ""))


def _added(parcel: Parcel) -> Parcel:
    """What was added alone: the rest is known where it goes."""
    return replace(parcel, parts={}, numbers={}, seals={}, lines=b"")


def look_at(asked: Asked) -> Plant:
    """A shop at a glance, as `strikeoff status` shows it."""
    from learn.monitoring.status import glance
    from pipelines.registry import promotion, versions
    from pipelines.registry.catalogue import Catalogue
    from pipelines.tables.dates import last_day
    from pipelines.tables.folder import to_shop
    from pipelines.tasks.doubts import by_learner, on_arrival
    from pipelines.words.status import drift_sentence

    data, state, kept = to_shop(asked.sent.state.given), asked.sent.state, asked.parcel
    plant = Plant(
        asked.sent.name,
        len(data.prints),
        f"{data.settings.illuminant}, {data.settings.observer} degrees",
        asked.condition,
        doubts=on_arrival(state),
    )
    version = versions.in_charge(kept)
    if version is None:
        return plant
    charge = promotion.opened(kept, version, data)
    if charge is None:
        raise UserError(f"model {version} cannot be read by this version; learn again")
    told = versions.described(kept, version)
    plant = replace(
        plant,
        version=version,
        made=str(told.get("made", ""))[:10],
        physics=told["facts"]["validation"].get("physics_median_dE00"),
        doubts=plant.doubts + len(by_learner(kept, state)),
    )
    try:
        found = glance(charge.model, data, last_day())
    except Unusable:
        return plant
    drift = None
    if found.drift is not None:
        called = Catalogue.of(data).things()
        drift = [drift_sentence(row, called) for row in found.drift.to_dict("records")]
    plant = replace(plant, drift=drift, news=found.news.n)
    if found.today is None:
        return plant
    now = found.today
    return replace(plant, error=now.error[0], in_bands=now.coverage.share, asked=now.tests.share)


def check_plant(asked: Asked) -> Plant:
    """A shop as `strikeoff check` finds it, without the learning curve."""
    from learn.assessment.report import checkup
    from pipelines.words.check import KINDS, advice

    model, data = _checked(asked)
    found = checkup(model, data, with_curve=False)
    return replace(
        look_at(asked),
        error=found.today.error[0],
        in_bands=found.today.coverage.share,
        asked=found.today.tests.share,
        held=found.chances.held.share,
        kinds=[(KINDS[k.kind], k.n, float(k.error), float(k.coverage.share)) for k in found.kinds],
        advice=advice(found)[0],
    )


def curve_point(asked: Asked) -> tuple[int, float] | None:
    """One point of the learning curve: prints learnt from, error of those that followed; None where
    the history is too short for it."""
    from learn.assessment.learning_curve import after, job_order, parts
    from learn.assessment.report import not_scored

    model, data = _checked(asked)
    place, _ = job_order(data.prints)
    cut = parts(place, not_scored(model.recall(data), data))
    if asked.part is None or asked.part >= len(cut):
        return None
    point = after(data, place, cut[asked.part])
    return point.n, float(point.error[0])


def check_part(asked: Asked) -> tuple[int | None, Plant | tuple[int, float] | None]:
    """The check of a shop, or a point of its learning curve: which, and what came of it."""
    return asked.part, check_plant(asked) if asked.part is None else curve_point(asked)


def _checked(asked: Asked) -> tuple[ShiftModel, Shop]:
    """The model in charge and the tables it has learnt."""
    from pipelines.registry import promotion, versions
    from pipelines.registry.unlearnt import unlearnt
    from pipelines.tables.folder import to_shop

    data = to_shop(asked.sent.state.given)
    version = versions.in_charge(asked.parcel)
    if version is None:
        raise UserError("no model has been learnt yet; run strikeoff learn")
    charge = promotion.opened(asked.parcel, version, data)
    if charge is None:
        raise UserError(f"model {version} cannot be read by this version; learn again")
    if unlearnt(charge.model, data, asked.sent.state.given.trusted):
        raise UserError(f"its tables have changed since version {version} learnt; learn again")
    return charge.model, data


def _unsaid(_: str) -> None:
    """Nobody watches one shop of many."""
