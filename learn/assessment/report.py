"""The whole validation of a model on its shop's own history, in one frozen answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.assessment.attribution import Budget, budget, limits
from learn.assessment.cross_validation import Forecasts, KindScore, forecasts, score_kind
from learn.assessment.learning_curve import Point, learning_curve, point
from learn.assessment.reliability import Share, brier, grouped_share, pseudo_targets, reliability
from learn.colour.colorimetry import delta_e00
from learn.colour.difference import difference
from learn.errors import Unusable
from learn.predict.model import ShiftModel
from learn.predict.protocol import RecallingModel
from learn.predict.verdict import ask_for_test, chance_needed
from learn.process import SETTING_COLUMNS
from learn.shop import Shop

FEWEST_JOBS = 5
RECORDED = ["printed_on", "press_id", "ink_lot", "underbase_ink_id", *SETTING_COLUMNS]


@dataclass(frozen=True)
class Chances:
    """Whether p_in_tolerance comes true, each print predicted without its job."""

    own: pd.DataFrame  # reliability of staying within tolerance of the own prediction
    targets: pd.DataFrame  # the same of pseudo-targets all round it
    brier: float  # of the latter
    waved: Share  # of prints that would have gone straight to production
    held: Share  # of those, within tolerance of the prediction


@dataclass(frozen=True)
class Checkup:
    """What `strikeoff check` has found."""

    n_prints: int
    n_jobs: int
    n_set_aside: int
    tolerance_dE00: float
    chance_needed: float  # to go straight to production
    kinds: list[KindScore]
    chances: Chances
    today: Point  # the whole history, each job left out
    curve: list[Point] | None  # None: not wanted
    by_date: bool
    budget: Budget
    limits: pd.DataFrame
    known_from: dict[str, str]  # ink -> what its drawdowns tell (learn.physics.shelf.Shelf)
    recorded: dict[str, float]  # column -> share of prints that fill it


def checkup(
    model: ShiftModel,
    shop: Shop,
    *,
    with_curve: bool = True,
    progress: Callable[[str], None] | None = None,
) -> Checkup:
    """Hold a model against the history it was learnt from.

    Raises
    ------
    Unusable
        when the history is too small to leave anything out of it.
    """
    say = progress or (lambda _: None)
    model = model.recall(shop)
    history = model.history()
    job = history.X["job"]
    n_jobs = len(job.dropna().unique()) + int(job.isna().sum())
    if n_jobs < FEWEST_JOBS:
        msg = f"the history holds {n_jobs} jobs; at least {FEWEST_JOBS} are needed to check a model"
        raise Unusable(msg)
    say("calibrating the physics alone, to compare with")
    physics = model.physics_alone(bands=False)
    say("predicting every print without its job, ink, garment, mesh, press ...")
    found = forecasts(model, physics)
    by_job = next(f for f in found if f.kind == "job")
    say("looking for what limits accuracy")
    kept = history.prints
    out = {
        "kinds": [score_kind(f) for f in found],
        "chances": _chances(model, by_job),
        "today": today(model, by_job),
        "budget": budget(model, by_job),
        "limits": limits(model, by_job),
    }
    curve, by_date = None, True
    if with_curve:
        curve, by_date = learning_curve(shop, not_scored(model, shop), progress)
    return Checkup(
        n_prints=len(kept),
        n_jobs=n_jobs,
        n_set_aside=history.n_set_aside,
        tolerance_dE00=model.settings_.tolerance_dE00,
        chance_needed=chance_needed(model.settings_),
        curve=curve,
        by_date=by_date,
        known_from={ink: model.known_from(ink) for ink in model.encoder_.inks.index},
        recorded={c: float(kept[c].notna().mean()) for c in RECORDED if c in kept},
        **out,
    )


def _chances(model: ShiftModel, f: Forecasts) -> Chances:
    limit = model.settings_.tolerance_dE00
    own = difference(f.mean, f.covariance, f.mean, np.full(len(f.at), limit)).p_within
    hit = f.error <= limit
    aim = pseudo_targets(f.mean, f.covariance, limit)
    each = np.repeat(np.arange(len(f.at)), aim.shape[1])
    aim = aim.reshape(-1, 3)
    tolerance = np.full(len(each), limit)
    chance = difference(f.mean[each], f.covariance[each], aim, tolerance).p_within
    came = delta_e00(f.measured[each], aim) <= limit
    waved = ~ask_for_test(own, model.settings_)
    return Chances(
        reliability(own, hit, f.group),
        reliability(chance, came, f.group[each]),
        brier(chance, came),
        grouped_share(waved, f.group),
        grouped_share(hit[waved], f.group[waved]),
    )


def not_scored(model: RecallingModel, shop: Shop) -> NDArray[np.bool_]:
    """The prints (n,) of a shop that a model with its history does not learn from."""
    return ~shop.prints["print_id"].isin(model.history().prints["print_id"]).to_numpy()


def today(model: RecallingModel, f: Forecasts) -> Point:
    """The whole history, each print as predicted without its job."""
    return point(len(f.at), f.mean, f.covariance, f.measured, f.inside, f.group, model)
