"""Inks a plant has printed, as they would be known to it had it not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.difference import local_metric
from learn.fit.ink_latents import latents_of
from learn.gp import leave_out, posterior
from learn.gp.posterior import Posterior, one_thread
from learn.kinship.hierarchy import Said, joined
from learn.predict.calibration import Alone, LeftOut, alone_of, unlike
from learn.predict.carrying import stacked

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel

Array = NDArray[np.floating]

SEEN_dE00 = 0.3  # errors below are all alike


class LeftInk(NamedTuple):
    """k prints of an ink and its J latents, believed without these prints."""

    rows: NDArray[np.intp]  # (k,) of the model's history
    mean: Array  # (3 k + J,)
    covariance: Array  # (3 k + J, 3 k + J)


class Ground(NamedTuple):
    """What forecasts of left-out inks are judged by."""

    measured: Array  # (n, 3) Lab
    y: Array  # (n, 3) the residual
    noise: Array  # (n, 3, 3) of a new job, strangeness of lots never seen among it
    left: dict[str, LeftInk]
    alone: Alone


class Forecasts(NamedTuple):
    """Inks left out, as all that is known has them."""

    left: LeftOut
    share: float
    loss: Array  # (inks,) log of their errors


@one_thread
def ground_of(model: ShiftModel, post: Posterior, inks: Sequence[str], at: list[int]) -> Ground:
    """Each of the ``inks`` left out; ``at`` (J,): of its latents."""
    X, design, hyper = model.rows_.X, model.design_, model.hyper_
    ink = X["ink"].to_numpy()
    group = np.full(len(X), -1)
    left = {}
    for k, one in enumerate(inks):
        rows = np.flatnonzero(ink == one)
        group[rows] = k
        latents = latents_of(model.layout_, hyper, one, post.mean)
        beside = np.zeros((len(at), design.phi.p))
        beside[:, latents.columns] = latents.onto[at]
        mean, covariance = leave_out.without(design, hyper, post, rows, beside)
        n = 3 * len(rows)
        mean[n:] += latents.origin[at]
        covariance[n:, n:] += np.diag(latents.beside[at])
        left[one] = LeftInk(rows, mean, covariance)
    noise = posterior.new_job_noise(design, hyper) + unlike(model, group)
    return Ground(model.lab_[model.keep_], design.y, noise, left, alone_of(model))


def forecasts(ground: Ground, messages: Mapping[str, Said | None]) -> Forecasts:
    """The inks of ``messages`` by what is said of them; None: by what the plant itself knows."""
    n = len(ground.y)
    error, covariance = np.full((n, 3), np.nan), np.full((n, 3, 3), np.nan)
    group = np.full(n, -1)
    for k, (ink, said) in enumerate(messages.items()):
        rows, mean, cov = ground.left[ink]
        size = 3 * len(rows)
        if said is not None:
            mean, cov = joined(mean, cov, slice(size, len(mean)), said)
        at = np.arange(len(rows))
        error[rows] = ground.y[rows] - mean[:size].reshape(-1, 3)
        blocks = cov[:size, :size].reshape(len(rows), 3, len(rows), 3)
        covariance[rows] = blocks[at, :, at, :] + ground.noise[rows]
        group[rows] = k
    left, share = stacked(LeftOut(error, covariance, group), ground.alone.error, ground.measured)
    return Forecasts(left, share, loss_of(left, ground.measured))


def loss_of(left: LeftOut, measured: Array) -> Array:
    """Log of the error of each group, about dE00."""
    at = np.flatnonzero(left.group >= 0)
    metric = local_metric(measured[at])
    squared = np.einsum("ni,nij,nj->n", left.error[at], metric, left.error[at])
    by = pd.Series(squared).groupby(left.group[at]).mean().to_numpy()
    return 0.5 * np.log(by + SEEN_dE00**2)
