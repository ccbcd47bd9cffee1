"""Jobs of several colours: one verdict a job, over the errors its colours have in common.

A press that lays more ink than predicted does so with every colour, and a base that hides less is
beneath them all: chances of being in tolerance must not be multiplied. They are counted over draws
of all colours of a job at once. A job goes when each of its colours goes and when the chance of
all together is as high as the shop asks for; else the worst cause among them is the job's.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.difference import within
from learn.gp.covariance import apart
from learn.gp.posterior import one_thread
from learn.normal import drawn_errors, scattered
from learn.predict.causes import Cause
from learn.predict.protocol import PrintModel
from learn.predict.verdict import Facts, causes, hoped_for
from learn.shop import jobs_of

Array = NDArray[np.floating]
Index = NDArray[np.intp]

N_DRAWS = 4096
BLOCK = 300  # prints at a time, to bound memory
# What weighs more on a job: a set-up to change, a test print, a target that is missing.
WORST_FIRST = (
    *(Cause.MISSES, Cause.NEAR_LIMIT, Cause.UNEVEN),
    *(Cause.UNSEEN, Cause.UNSURE),
    *(Cause.NO_TARGET, Cause.SURE),
)


class Colours(NamedTuple):
    """The m colours of one job, as one Gaussian."""

    mean: Array  # (m, 3) Lab
    covariance: Array  # (3 m, 3 m) of the next measured prints
    scatter: Array  # (3 m, 3 m) the part of it that no knowledge removes


@one_thread
def judge_jobs(model: PrintModel, setups: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """The verdict on every job of ``setups``; a set-up without ``job_id`` is a job of its own.

    Parameters
    ----------
    setups : frame of n set-ups, with ``job_id`` and what `PrintModel.predict` takes
    found : what `PrintModel.predict` gave of them

    Returns
    -------
    frame, a row a job in the order they begin: ``job_id`` (None for a set-up of its own);
    ``rows``, a tuple of positions; ``p_all``, the chance that all its colours are within
    tolerance, NaN where one has no target; ``alone``, whether every colour would go by itself;
    ``verdict`` and ``cause``; ``held_by``, the position of the set-up that holds the job up, -1
    where it goes.
    """
    setups, found = setups.reset_index(drop=True), found.reset_index(drop=True)
    job = pd.factorize(jobs_of(setups["job_id"]))[0]
    rows = [np.flatnonzero(job == j) for j in range(job.max(initial=-1) + 1)]
    p = found["p_in_tolerance"].to_numpy(float)
    rank = found["cause"].map(WORST_FIRST.index).to_numpy(int)
    aimed = found["aimed"].to_numpy(bool)
    p_all = np.array([p[at].min() if aimed[at].all() else np.nan for at in rows])
    several = [j for j, at in enumerate(rows) if len(at) > 1 and aimed[at].all()]
    aim = setups.reindex(columns=["target_L", "target_a", "target_b"]).to_numpy(float)
    off, tolerance = (found[c].to_numpy(float) for c in ("target_dE00", "tolerance_dE00"))
    beyond = np.nan_to_num(off / tolerance)
    p_steady = np.ones(len(rows))
    for j, one in zip(several, _colours(model, setups, [rows[j] for j in several]), strict=True):
        at = rows[j]
        # draws of all together and of one alone differ by chance; all is never likelier than one
        p_all[j] = min(p_all[j], chance_of_all(one.mean, one.covariance, aim[at], tolerance[at]))
        unknown = (one.covariance - one.scatter)[None]
        hoped = hoped_for(one.mean.reshape(1, -1), unknown, aim[at].reshape(1, -1))
        settled = hoped.reshape(one.mean.shape)
        p_steady[j] = chance_of_all(settled, one.scatter, aim[at], tolerance[at], steady=True)

    lines = []
    for j, at in enumerate(rows):
        first = at[np.lexsort([-beyond[at], p[at], rank[at]])[0]]
        cause = Cause(found["cause"].iloc[first])
        alone = cause is Cause.SURE
        if alone and len(at) > 1:
            nearest = at[[np.argmax(beyond[at])]]
            unseen = tuple(dict.fromkeys(one for i in at for one in found["unseen"].iloc[i]))
            facts = Facts(
                p_all[[j]],
                p_steady[[j]],
                np.ones(1),  # none is beyond its tolerance
                off[nearest],
                tolerance[nearest],
                aimed[nearest],
                [unseen],
            )
            cause = causes(facts, model.settings_)[0]
        lines.append(
            {
                "job_id": setups["job_id"].iloc[first],
                "rows": tuple(at.tolist()),
                "p_all": p_all[j],
                "alone": alone,
                "verdict": cause.verdict,
                "cause": cause,
                "held_by": -1 if cause is Cause.SURE else int(first),
            }
        )
    return pd.DataFrame(lines)


def chance_of_all(
    mean: Array, covariance: Array, aim: Array, tolerance: ArrayLike, *, steady: bool = False
) -> float:
    """Chance that m prints, of mean (m, 3) and covariance (3 m, 3 m), all lie within their
    ``tolerance`` (m,) dE00 of their own ``aim`` (m, 3); ``steady`` where all is known but the
    scatter of prints."""
    z = drawn_errors(N_DRAWS // 2, mean.size, seed=20_241, steady=steady)
    off = scattered(covariance[None], z)[0]
    prints = mean + off.reshape(-1, *mean.shape)
    beyond = delta_e00(prints, np.broadcast_to(aim, prints.shape)) - np.asarray(tolerance, float)
    return float(within(beyond.max(axis=1), 0.0))


def _colours(model: PrintModel, setups: pd.DataFrame, jobs: list[Index]) -> Iterator[Colours]:
    """The colours of each job (positions), with what their errors share."""
    for some in _blocks(jobs):
        at = np.concatenate(some)
        rows = setups.iloc[at].reset_index(drop=True)
        job = np.repeat(np.arange(len(some)), [len(one) for one in some])
        # what the prints of a job share they share through one screen: job and ink
        screen = pd.factorize(pd.Series(list(zip(job, rows["ink_id"], strict=True))))[0]
        known, apart_known = model.between(rows, screen), model.between(rows)
        wide = model.as_told(known, rows)
        film = known.unknown - apart_known.unknown  # the film error of a screen alone
        for j in range(len(some)):
            own = np.flatnonzero(job == j)
            size = 3 * len(own)
            total = wide.of(own)
            yield Colours(
                total.mean,
                total.unknown.reshape(size, size) + apart(total.scatter),
                film[own][:, :, own].reshape(size, size) + apart(known.scatter[own]),
            )


def _blocks(jobs: list[Index]) -> Iterator[list[Index]]:
    """Jobs in turn, together of about ``BLOCK`` prints."""
    some: list[Index] = []
    for one in jobs:
        if some and sum(map(len, some)) + len(one) > BLOCK:
            yield some
            some = []
        some.append(one)
    if some:
        yield some
