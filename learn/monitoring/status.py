"""A fitted model and its shop at a glance: what has drifted, what is poorly known. In seconds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from learn.assessment.attribution import Budget, budget, limits
from learn.assessment.cross_validation import Forecasts, crossed_factors
from learn.assessment.learning_curve import Point
from learn.assessment.report import FEWEST_JOBS, RECORDED, today
from learn.colour.colorimetry import delta_e00
from learn.gp.posterior import one_thread
from learn.monitoring.cusum import drifts
from learn.monitoring.innovations import one_step_ahead
from learn.monitoring.monthly import by_month
from learn.normal import Z90, sd_of
from learn.physics.drawdowns import lab_columns
from learn.predict.calibration import LeftOut
from learn.predict.dispersion import Errors
from learn.predict.history import History
from learn.predict.protocol import RecallingModel
from learn.shop import Shop, jobs_of, latest_lots
from learn.workers import in_threads


class News(NamedTuple):
    """Prints measured since the model learnt, against what it says of them."""

    n: int
    unknown: int  # of things the model has not been told of: not scored
    median_dE00: float  # NaN where none is scored
    coverage90: float


@dataclass(frozen=True)
class Glance:
    """What `strikeoff status` tells beside the tables; names as in `learn.assessment.report`."""

    news: News
    drift: pd.DataFrame | None  # of learn.monitoring.cusum.drifts; None: too few dated prints
    film: pd.DataFrame | None  # of learn.monitoring.monthly.by_month; None as well
    today: Point | None  # every print as predicted without its job; None: too few jobs
    budget: Budget | None  # None as well
    limits: pd.DataFrame | None
    known_from: dict[str, str]
    recorded: dict[str, float]
    tolerance_dE00: float


@one_thread
def glance(model: RecallingModel, shop: Shop, until: pd.Timestamp | None = None) -> Glance:
    """Look at a stored model and the tables of its shop as they are now.

    ``until``: the last day that a print can be of; a later one does not tell which lot is in use.

    Raises
    ------
    Unusable
        when none of the prints the model learnt from is left.
    """
    prints = shop.prints.reset_index(drop=True)
    lab = lab_columns(prints, model.viewing_)
    usable = np.isfinite(lab).all(axis=1)
    named = np.ones(len(prints), bool)
    named[model.encoder_.unknown(prints)["row"].to_numpy(int)] = False
    learnt = prints["print_id"].isin(model.marks_["prints"]).to_numpy()
    model = model.recall(replace(shop, prints=prints[usable & named & learnt]))
    history = model.history()
    fresh = usable & ~learnt
    new, new_lab = prints[fresh & named], lab[fresh & named]
    kept, jobs = history.prints, jobs_of(history.X["job"])
    enough = jobs.nunique() >= FEWEST_JOBS

    def drifted() -> tuple[pd.DataFrame, pd.DataFrame] | None:
        if not enough or not kept["printed_on"].notna().any():
            return None
        everything = pd.concat([kept, new], ignore_index=True)
        measured = np.vstack([history.lab, new_lab])
        ahead = one_step_ahead(model, everything, measured)
        return _of_lots_in_use(drifts(ahead), everything, until), by_month(ahead.frame)

    def known() -> tuple[Point, Budget, pd.DataFrame] | None:
        if not enough:
            return None
        left = model.leave_out(jobs)
        by_job = _by_job(history, left)
        factor = crossed_factors(Errors(left.z, left.group))[:, None, None]
        widened = replace(by_job, covariance=factor**2 * left.covariance)
        return today(model, widened), budget(model, by_job), limits(model, by_job)

    # each takes about half of the time
    looks: list[Callable[[], Any]] = [drifted, known]
    moved, found = in_threads(lambda look: look(), looks)
    drift, film = moved if moved else (None, None)
    now, spent, worst = found if found else (None, None, None)
    return Glance(
        news=_news(model, new, new_lab, int(fresh.sum())),
        drift=drift,
        film=film,
        today=now,
        budget=spent,
        limits=worst,
        known_from={ink: model.known_from(ink) for ink in model.encoder_.inks.index},
        recorded={c: float(kept[c].notna().mean()) for c in RECORDED if c in kept},
        tolerance_dE00=model.settings_.tolerance_dE00,
    )


def _of_lots_in_use(
    found: pd.DataFrame, prints: pd.DataFrame, until: pd.Timestamp | None
) -> pd.DataFrame:
    """Without lots that another of the ink has followed: nobody prints from them any more; and
    those that were so from their first print on: they differ (`learn.predict.lots`), and have not
    drifted."""
    in_use = {f"{ink}, lot {lot}" for ink, lot in latest_lots(prints, until).items()}
    moved = found["level"].isin(in_use) & ~found["from_first"].astype(bool)
    return found[(found["cause"] != "lot") | moved].reset_index(drop=True)


def _by_job(history: History, left: LeftOut) -> Forecasts:
    """Every print as predicted without its job; nothing to compare with."""
    mean, at = history.lab - left.error, np.arange(len(history.lab))
    return Forecasts(
        "job", at, left.group, history.lab, mean, left.covariance, history.noise, mean, None
    )


def _news(model: RecallingModel, new: pd.DataFrame, lab: np.ndarray, n: int) -> News:
    if not len(new):
        return News(n, n, np.nan, np.nan)
    p = model.predict_lab(new)
    sd = sd_of(p.covariance)
    held = float((np.abs(lab - p.mean) <= Z90 * sd).mean())
    return News(n, n - len(new), float(np.median(delta_e00(p.mean, lab))), held)
