"""Without a new ink: which ink of the shelf, printed as intended, appears as the target."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from learn.colour.colorimetry import delta_e00
from learn.gp.posterior import one_thread
from learn.planning.plan import bucket_ink, checked_garments, checked_target
from learn.predict.garments import joint, outcome
from learn.shop import UNDERBASE

if TYPE_CHECKING:
    from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]

# "One shade deeper", as it is said on the floor: darker by at least this, of the same hue
# family, and otherwise the nearest. Common practice, no source.
DEEPER_L, SAME_HUE_DEG, NEUTRAL_CHROMA = 2.0, 25.0, 10.0


def shade_deeper(buckets: Array, first: int) -> int:
    """Position of the ink one shade deeper than ``first`` by its bucket Lab (m, 3).

    The ink itself where the shelf has no deeper one of its hue.

    Examples
    --------
    >>> shade_deeper(np.array([[50, 60, 40], [40, 50, 33], [30, 0, -40], [20, 30, 20]]), 0)
    1
    """
    L, a, b = np.asarray(buckets, float).T
    turn = np.degrees(np.arctan2(b, a) - np.arctan2(b[first], a[first]))
    same_hue = np.abs((turn + 180) % 360 - 180) < SAME_HUE_DEG
    neutral = np.hypot(a, b) < NEUTRAL_CHROMA
    family = neutral if neutral[first] else same_hue & ~neutral
    deeper = family & (L[first] - DEEPER_L > L)
    if not deeper.any():
        return first
    off = delta_e00(buckets, np.asarray(buckets, float)[first])
    return int(np.argmin(np.where(deeper, off, np.inf)))


@one_thread
def shades(
    model: PrintModel,
    target: ArrayLike,
    setup: Mapping[str, Any],
    garments: list[str],
    *,
    tolerance: float | None = None,
    inks: list[str] | None = None,
    lots: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Every ink at one set-up, the one that comes out nearest to the target first.

    ``setup``: set-up columns without ink and garment; ``lots``: ink -> the lot that is open.
    Columns of the answer: ``ink_id``,
    ``bucket_dE00`` (bucket to target), ``print_dE00`` (worst garment), ``worst_garment``,
    ``p_all``, ``lore``: "bucket match" for the ink
    one would reach for, "one shade deeper" for the one that is picked by rule of thumb.

    Raises Unusable as :func:`learn.planning.plan.plan` does.
    """
    target, garments = checked_target(target), checked_garments(model, garments)
    tolerance = model.settings_.tolerance_dE00 if tolerance is None else tolerance
    if inks is None:
        roles = model.encoder_.inks["role"]
        inks = list(roles.index[roles != "underbase"])
    setups = pd.DataFrame([dict(setup)] * len(inks)).assign(ink_id=np.array(inks, object))
    if lots:
        setups["ink_lot"] = np.array([lots.get(ink) for ink in inks], object)
    based = setups.reindex(columns=UNDERBASE[:1]).notna().to_numpy().repeat(len(garments), axis=1)
    predicted = joint(model, setups, garments, based)
    off = delta_e00(predicted.mean, target)
    worst = off.argmax(axis=1)
    buckets = model.buckets(inks)[0]
    first = inks.index(bucket_ink(model, target, inks))
    lore = np.full(len(inks), "", object)
    lore[shade_deeper(buckets, first)] = "one shade deeper"
    lore[first] = "bucket match"
    found = pd.DataFrame(
        {
            "ink_id": inks,
            "bucket_dE00": delta_e00(buckets, target),
            "print_dE00": off.max(axis=1),
            "worst_garment": np.array(garments, object)[worst],
            "p_all": outcome(predicted, target, tolerance).p_all,
            "lore": lore,
        }
    )
    return found.sort_values("print_dE00", kind="stable", ignore_index=True)
