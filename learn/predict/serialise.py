"""A fitted model as plain arrays and JSON, and back: nothing in it can run.

The arrays are numbers only; the description is what JSON holds. Together they give the
same predictions bit for bit.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import Viewing
from learn.fit.encoding import Encoder
from learn.fit.linearisation import Layout
from learn.fit.lot_cards import LotCard
from learn.gp.posterior import Hyper, Posterior
from learn.gp.terms import FittedTerm, Term
from learn.physics.shelf import Shelf
from learn.predict.carrying import Carrying
from learn.predict.novelty import Likeness
from learn.predict.sisters import Sisters
from learn.shop import ShopSettings

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel

Arrays = dict[str, NDArray[np.floating]]

FORM = 22  # of the arrays and the description; a model of another form is refused

_SHELF_ARRAYS = ["log_k", "log_s", "directions_k", "directions_s", "bucket_measured"]
_MAY_MISS = ("shelf_bucket_measured",)  # not a number where no ink was measured in the bucket


def to_state(model: ShiftModel) -> tuple[Arrays, dict[str, Any]]:
    """Arrays and a JSON-able description of a fitted model."""
    shelf, encoder, root = model.shelf_, model.encoder_, model.posterior_.root
    arrays = {f"shelf_{name}": getattr(shelf, name) for name in _SHELF_ARRAYS}
    arrays |= {f"inducing_{i}": t.inducing for i, t in enumerate(model.layout_.terms)}
    arrays |= {f"strange_{i}": t.strange for i, t in enumerate(model.layout_.terms)}
    arrays |= {
        "centre": model.layout_.centre,
        "weights": model.weights_,
        "physics_alone": model.carrying_.constants,
        "posterior_mean": model.posterior_.mean,
        "posterior_root": root[np.triu_indices(len(root))],
        "hyper_block": model.hyper_.block,
        "hyper_noise": model.hyper_.noise,
        "hyper_job": model.hyper_.job,
        "log_lengths": model.log_lengths_,
        "substrate_r": encoder.substrate_r,
        "viewing_weights": model.viewing_.weights,
        "viewing_white": model.viewing_.white_xyz,
    }
    told, sisters = model.sisters_.to_state()
    description = {
        "form": FORM,
        "settings": asdict(model.settings_),
        "parameters": {"calibrate_inks": model.calibrate_inks, "random_state": model.random_state},
        "shelf": {
            "ink_ids": shelf.ink_ids,
            "known_from": shelf.known_from,
            "missed": shelf.missed,
        },
        "terms": [
            {"term": asdict(t.term), "level_names": list(t.level_names)}
            for t in model.layout_.terms
        ],
        "inks": _records(encoder.inks),
        "substrates": _records(encoder.substrates[["kind", "fibre", "colour_name"]]),
        "meshes": _records(encoder.meshes),
        "first_day": str(encoder.first_day.date()),
        "usual_stencil_um": encoder.usual_stencil_um,
        "stencils_apart_um": encoder.stencils_apart_um,
        "usual_base_volume": encoder.usual_base_volume,
        "base_volumes_apart": encoder.base_volumes_apart,
        "base_meshes_untold": encoder.base_meshes_untold,
        "lots_told": encoder.lots_told,
        "usual_base_strokes": encoder.usual_base_strokes,
        "usual_flashes": encoder.usual_flashes,
        "flashes_apart": encoder.flashes_apart,
        "alike": list(encoder.alike),
        "coated_cards": encoder.coated_cards,
        "changes": [
            [press, str(day.date())] for press, day in encoder.changes.itertuples(index=False)
        ],
        "jumps": [[era, day] for era, day in encoder.jumps.itertuples(index=False)],
        "likeness": {
            "counts": model.likeness_.counts,
            "ranges": {k: list(v) for k, v in model.likeness_.ranges.items()},
            "thinnest": model.likeness_.thinnest,
            "contradict": [[*level, *apart] for level, apart in model.likeness_.contradict.items()],
            "last_day": None if np.isinf(model.likeness_.last_day) else model.likeness_.last_day,
        },
        "cards": [
            [c.ink, c.lot, c.beside, c.information.tolist(), c.told.tolist()] for c in model.cards_
        ],
        "sisters": sisters,
        "carried_share": model.carrying_.share,
        "spread_factors": model.spread_factors_,
        "validation": model.validation_,
        "set_aside": model.set_aside_.to_dict("records"),
        "gross": float(model.gross_),
        "doubted": model.doubted_,
        "log_evidence": float(model.posterior_.log_evidence),
        "searches": model.searches_,
        "marks": model.marks_,
        "appended": model.appended_,
    }
    return arrays | told, description


def from_state(model: ShiftModel, arrays: Arrays, description: dict[str, Any]) -> ShiftModel:
    """Fill ``model`` with what :func:`to_state` gave.

    Raises
    ------
    ValueError
        when the description is of another form, or arrays hold what is no number or do not fit.
    KeyError, TypeError
        when something is missing or not what it should be.
    """
    d = description
    if d.get("form") != FORM:
        msg = f"the model is of form {d.get('form')}, this program reads form {FORM}"
        raise ValueError(msg)
    for name, array in arrays.items():
        if name not in _MAY_MISS and not np.isfinite(array).all():
            msg = f"{name} holds what is no number"
            raise ValueError(msg)
    model.settings_ = ShopSettings(**d["settings"])
    model.calibrate_inks = d["parameters"]["calibrate_inks"]
    model.random_state = d["parameters"]["random_state"]
    model.viewing_ = Viewing(
        model.settings_.illuminant,
        model.settings_.observer,
        arrays["viewing_weights"],
        arrays["viewing_white"],
    )
    model.shelf_ = Shelf(
        ink_ids=list(d["shelf"]["ink_ids"]),
        known_from=list(d["shelf"]["known_from"]),
        missed=float(d["shelf"]["missed"]),
        **{name: arrays[f"shelf_{name}"] for name in _SHELF_ARRAYS},
    )
    model.encoder_ = Encoder(
        inks=_frame(d["inks"], "ink_id"),
        substrates=_frame(d["substrates"], "substrate_id"),
        meshes=_frame(d["meshes"], "mesh_id"),
        substrate_r=arrays["substrate_r"],
        first_day=pd.Timestamp(d["first_day"]),
        usual_stencil_um=float(d["usual_stencil_um"]),
        stencils_apart_um=float(d["stencils_apart_um"]),
        usual_base_volume=float(d["usual_base_volume"]),
        base_volumes_apart=float(d["base_volumes_apart"]),
        base_meshes_untold=bool(d["base_meshes_untold"]),
        lots_told=bool(d["lots_told"]),
        usual_base_strokes=float(d["usual_base_strokes"]),
        usual_flashes=float(d["usual_flashes"]),
        flashes_apart=float(d["flashes_apart"]),
        alike=tuple(str(column) for column in d["alike"]),
        coated_cards=bool(d["coated_cards"]),
        changes=pd.DataFrame(d["changes"], columns=["press_id", "changed_on"]).astype(
            {"press_id": object, "changed_on": "datetime64[ns]"}
        ),
        jumps=pd.DataFrame(d["jumps"], columns=["era", "day"]).astype(
            {"era": object, "day": float}
        ),
    )
    terms = [
        FittedTerm(
            _term(t["term"]),
            tuple(t["level_names"]),
            arrays[f"inducing_{i}"],
            arrays[f"strange_{i}"],
        )
        for i, t in enumerate(d["terms"])
    ]
    model.terms = [t.term for t in terms]
    model.layout_ = Layout(model.shelf_, terms, model.viewing_, arrays["centre"])
    model.hyper_ = Hyper(arrays["hyper_block"], arrays["hyper_noise"], arrays["hyper_job"])
    model.log_lengths_ = arrays["log_lengths"]
    model.weights_ = arrays["weights"]
    p = len(model.weights_)
    if p != model.layout_.size:
        msg = f"the model has {p} weights where its description calls for {model.layout_.size}"
        raise ValueError(msg)
    if arrays["posterior_mean"].shape != (p,):
        msg = "the posterior mean does not fit the weights"
        raise ValueError(msg)
    root = np.zeros((p, p))
    root[np.triu_indices(p)] = arrays["posterior_root"]
    model.posterior_ = Posterior(arrays["posterior_mean"], root, d["log_evidence"])
    model.sisters_ = sisters = Sisters.from_state(arrays, d["sisters"])
    last = d["likeness"]["last_day"]
    model.likeness_ = Likeness(
        counts=d["likeness"]["counts"],
        ranges={k: tuple(v) for k, v in d["likeness"]["ranges"].items()},
        last_day=-np.inf if last is None else float(last),
        thinnest={k: float(v) for k, v in d["likeness"]["thinnest"].items()},
        told=frozenset(one.ink for one in sisters.inks),
        contradict={
            (str(of), str(level)): (float(L), float(a), float(b))
            for of, level, L, a, b in d["likeness"]["contradict"]
        },
    )
    model.carrying_ = Carrying(float(d["carried_share"]), arrays["physics_alone"])
    model.cards_ = [
        LotCard(ink, lot, beside, np.array(information, float), np.array(told, float))
        for ink, lot, beside, information, told in d["cards"]
    ]
    model.spread_factors_ = d["spread_factors"]
    model.validation_ = d["validation"]
    model.set_aside_ = pd.DataFrame(d["set_aside"], columns=["print_id", "reason", "distance"])
    model.gross_, model.searches_ = float(d["gross"]), d["searches"]
    model.doubted_ = {str(name): float(scale) for name, scale in d["doubted"].items()}
    model.marks_, model.appended_ = d["marks"], d["appended"]
    return model


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    plain = frame.reset_index().astype(object)
    return plain.where(plain.notna(), None).to_dict("records")


def _frame(records: list[dict[str, Any]], key: str) -> pd.DataFrame:
    return pd.DataFrame(records).set_index(key)


def _term(fields: dict[str, Any]) -> Term:
    term = Term(**fields)
    return replace(term, smooth=tuple(term.smooth), lengths=tuple(term.lengths))
