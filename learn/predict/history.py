"""What a model has learnt from, as those who judge it look at it."""

from __future__ import annotations

from copy import copy
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.errors import Unusable
from learn.fit.ink_latents import with_told
from learn.fit.update import with_information
from learn.gp import posterior
from learn.physics.drawdowns import lab_columns

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel
    from learn.shop import Shop

Array = NDArray[np.floating]


class History(NamedTuple):
    """n prints that were learnt from; gross errors are not among them."""

    prints: pd.DataFrame  # their rows in the shop's table
    lab: Array  # (n, 3) as measured
    X: pd.DataFrame  # encoded features
    instrument: Array  # (n,) variance of a reading in each of L, a, b
    noise: Array  # (n, 3, 3) scatter of job, press and instrument
    n_set_aside: int


def history(model: ShiftModel) -> History:
    """Of a model just fitted, or given its history back by :func:`recall`."""
    kept, design = model.keep_, model.design_
    noise = posterior.own_noise(design, model.hyper_) + posterior.job_noise(design, model.hyper_)
    return History(
        model.prints_[kept].reset_index(drop=True),
        model.lab_[kept],
        model.rows_.X,
        design.instrument,
        noise,
        int((~kept).sum()),
    )


def recall(model: ShiftModel, shop: Shop) -> ShiftModel:
    """See :meth:`learn.predict.model.ShiftModel.recall`."""
    model = copy(model)
    prints = model.encoder_.completed(shop.prints.reset_index(drop=True))
    lab = lab_columns(prints, model.viewing_)
    usable = np.isfinite(lab).all(axis=1)
    model.prints_, model.lab_ = prints[usable].reset_index(drop=True), lab[usable]
    model.keep_ = ~model.prints_["print_id"].isin(model.set_aside_["print_id"]).to_numpy()
    if not model.keep_.any():
        msg = "the history holds no measured print"
        raise Unusable(msg)
    relinearise(model)
    return model


def relinearise(model: ShiftModel) -> None:
    """The design of what a model has learnt at its weights, and the posterior with it: of all the
    weights it has by now, those of lots known by cards alone among them."""
    kept = model.prints_[model.keep_].reset_index(drop=True)
    linear, design = model.linearised(kept, model.lab_[model.keep_])
    scale = kept["print_id"].map(model.doubted_).fillna(1.0).to_numpy(float)
    model.design_ = replace(design, noise_scale=scale)
    model.rows_ = linear.rows
    found = posterior.posterior(model.design_, model.hyper_)
    found = with_information(found, model.layout_, model.cards_)
    model.posterior_ = with_told(found, model.layout_, model.sisters_.inks)


def set_aside(prints: pd.DataFrame, keep: NDArray[np.bool_], distance: Array) -> pd.DataFrame:
    """The prints not learnt from: print_id, reason, distance in standard deviations."""
    return pd.DataFrame(
        {
            "print_id": prints["print_id"].to_numpy()[~keep],
            "reason": [
                f"colour lies {d:.0f} times the usual scatter from what all other prints say"
                for d in distance[~keep]
            ],
            "distance": distance[~keep],
        }
    )


def doubted(prints: pd.DataFrame, noise_scale: Array) -> dict[str, float]:
    """The prints (n,) that count for less than others, and by how much their noise (n,) is more."""
    scaled = pd.Series(noise_scale, prints["print_id"].astype(str)[: len(noise_scale)])
    return scaled[scaled > 1].to_dict()
