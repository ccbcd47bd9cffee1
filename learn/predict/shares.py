"""What moves a print: the way from bucket to print, or from print to print, in shares that add up.

Every cause is switched on or off: the cloth beneath, the base, this screen's film, ... each state
through the whole optics.

From the bucket to a print there is a way that a press could go, and a cause's share is what its
step changes (`STEPS`). The bucket is the ink upon itself; then it lies upon a thick layer of the
base, then upon base and cloth, and only then is the cloth wet or soaked. So each step hides as
well as the print does: averaged over all orders, the cloth would be seen through films that are
not there, and what covers it would take as much away again.

Between two prints neither is first. With m causes there are 2^m states between them, and a share
is averaged over all orders in which causes can be switched on: Shapley's value (Shapley 1953, "A
value for n-person games"). No other rule adds up exactly, gives nothing to a cause that changes
nothing, treats causes alike that act alike, and adds up over L, a and b.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import factorial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.difference import local_metric
from learn.errors import Unusable
from learn.physics import kubelka_munk, print_model
from learn.physics.drawdowns import DRAWDOWN_HAZE
from learn.physics.print_model import CONSTANTS, Stack, State, column_of
from learn.predict.carrying import carried
from learn.process import SETTINGS

if TYPE_CHECKING:
    from learn.gp.terms import Term
    from learn.predict.model import ShiftModel

Array = NDArray[np.float64]

OFF = -30.0  # on a log or logit scale: none of it


class Mover(StrEnum):
    """What moves a print away."""

    CLOTH = "cloth"  # the bare garment shows through
    BASE = "base"  # lies between cloth and ink
    FILM = "film"  # of this screen and strokes; from the bucket, what it lacks of an ordinary one
    WET_OUT = "wet_out"  # cloth darkened by the ink that fills it
    SOAK = "soak"  # ink sunk into the cloth
    DISCHARGE = "discharge"  # the garment's dye taken out
    MIGRATION = "migration"  # and wandered into the print
    SURFACE = "surface"  # haze of the cured print
    LOT = "lot"  # strength of this batch
    PRESS = "press"  # and its settings
    LEARNT = "learnt"  # what the prints have shown beyond all that


MOVERS = tuple(Mover)
# From the bucket on. What a discharge ink leaves of the dye is cloth; the film comes first where
# it is no thinner than one stroke through the shop's middle mesh.
STEPS = (
    *(Mover.LOT, Mover.SURFACE, Mover.DISCHARGE, Mover.BASE, Mover.CLOTH, Mover.FILM),
    *(Mover.WET_OUT, Mover.SOAK, Mover.MIGRATION, Mover.PRESS, Mover.LEARNT),
)
# What of a stack each mover brings with it.
_BRINGS = {
    Mover.CLOTH: ("cloth", "pores"),
    Mover.BASE: ("base", "base_volume", "log_base_solids", "base_strokes"),
    Mover.FILM: ("volume", "stencil_um", "strokes", "flashes"),
    Mover.DISCHARGE: ("discharges",),
}
_OF_DIRECTION = {
    "film": Mover.FILM,
    "both_films": Mover.FILM,
    "base_film": Mover.BASE,
    **dict.fromkeys(("strength", "tilt", "bow", "scattering"), Mover.LOT),
    "wet_out": Mover.WET_OUT,
    "soak": Mover.SOAK,
    "haze": Mover.SURFACE,
    "uneven": Mover.FILM,
    "discharge": Mover.DISCHARGE,
    "migration": Mover.MIGRATION,
    "free": Mover.LEARNT,
}
_AT_PRESS = {setting.name for setting in SETTINGS if setting.place == "press"}


class Shares(NamedTuple):
    """One way from ``start`` to ``end``; shares in the order of `MOVERS`."""

    start: Array  # (3,) Lab
    end: Array  # (3,)
    lab: Array  # (m, 3): sum to end - start
    dE00: Array  # (m,): along the way, sum to the dE00 between start and end; below 0: takes away

    @property
    def total_dE00(self) -> float:
        """From start to end."""
        return float(delta_e00(self.start, self.end))


@dataclass(frozen=True)
class _Place:
    """One print as the optics have it, cause by cause."""

    stack: Stack  # one row
    shifts: Array  # (m, latents)
    free: Array  # (m, 3) Lab added at the end
    own_ground: bool = False  # on nothing but its own colour, instead of on ``stack.cloth``


def shapley(values: Array) -> Array:
    """Shares (m, c) of m causes from the outcome of every set of them, (2, ..., 2, c).

    Axis j is 0 where cause j is off and 1 where it is on.

    Examples
    --------
    >>> alone_3_together_10 = np.array([[0.0, 3.0], [3.0, 10.0]])[..., None]
    >>> [float(share) for share in shapley(alone_3_together_10)[:, 0].round(9)]
    [5.0, 5.0]
    """
    m = values.ndim - 1
    size = np.indices((2,) * (m - 1)).sum(axis=0)
    weight = np.array([factorial(k) * factorial(m - 1 - k) / factorial(m) for k in range(m)])[size]
    gains = (values.take(1, axis=j) - values.take(0, axis=j) for j in range(m))
    return np.stack([np.tensordot(weight, gain, axes=m - 1) for gain in gains])


def from_bucket(model: ShiftModel, setup: pd.DataFrame) -> Shares:
    """What moves the print of one set-up (one row) away from the ink in the bucket.

    Raises Unusable when it names what the model has not been told of.
    """
    end = _place(model, setup)
    state = model.layout_.state(model.weights_)
    start = _bucket(model, end, state)
    bucket = model.buckets(list(setup["ink_id"]))[0][0]
    # An ink may print otherwise than it was drawn down: that was learnt from prints.
    gap = bucket - _between(model, state, start, start, np.zeros((1, len(MOVERS)), bool))[0]
    free = start.free.copy()
    free[MOVERS.index(Mover.LEARNT)] += gap
    start = replace(start, free=free)
    order = [MOVERS.index(mover) for mover in STEPS]
    if _film(end, state) >= _film(start, state):
        order.insert(0, order.pop(STEPS.index(Mover.FILM)))
    on = np.zeros((len(MOVERS) + 1, len(MOVERS)), bool)
    for step, mover in enumerate(order):
        on[step + 1 :, mover] = True
    lab = _between(model, state, start, end, on)
    shares = np.zeros((len(MOVERS), 3))
    shares[order] = np.diff(lab, axis=0)
    return Shares(lab[0], lab[-1], shares, along(shares, lab[0], lab[-1]))


def from_print(model: ShiftModel, setup: pd.DataFrame, beside: pd.DataFrame) -> Shares:
    """What moves the print of one set-up away from that of another of the same ink.

    Raises Unusable when the inks differ, or for what the model has not been told of.
    """
    if setup["ink_id"].iloc[0] != beside["ink_id"].iloc[0]:
        msg = "the two prints are of different inks: shares are told of one ink in two places"
        raise Unusable(msg)
    state = model.layout_.state(model.weights_)
    start, end = _place(model, beside), _place(model, setup)
    m = len(MOVERS)
    on = np.indices((2,) * m).reshape(m, -1).T.astype(bool)
    lab = _between(model, state, start, end, on)
    shares = shapley(lab.reshape((2,) * m + (3,)))
    return Shares(lab[0], lab[-1], shares, along(shares, lab[0], lab[-1]))


def _place(model: ShiftModel, setup: pd.DataFrame) -> _Place:
    layout = model.layout_
    rows = layout.with_ground(model.encode(setup.reset_index(drop=True)), model.weights_)
    features = layout.features(rows, model.log_lengths_)
    shifts = np.zeros((len(MOVERS), len(print_model.LATENTS)))
    free = np.zeros((len(MOVERS), 3))
    for term, through, added in layout.pushes(features, model.weights_, 1):
        at = MOVERS.index(_mover(term))
        shifts[at] += through[0]
        free[at] += added[0]
    learnt = layout.lab(rows, model.weights_, features)
    free[MOVERS.index(Mover.LEARNT)] += (carried(model, rows, learnt).mean - learnt)[0]
    stack = rows.stack
    if stack.base[0] >= 0:  # what a base seals neither takes ink in nor loses its dye
        shifts[MOVERS.index(Mover.SOAK), column_of("soak")] = OFF
        stack = replace(stack, discharges=np.zeros(1))
    return _Place(stack, shifts, free)


def _mover(term: Term) -> Mover:
    if term.levels in ("press", "era") or _AT_PRESS & set(term.smooth):
        return Mover.PRESS
    return _OF_DIRECTION[term.direction]


def _bucket(model: ShiftModel, end: _Place, state: State) -> _Place:
    """The ink of ``end`` upon itself, through the shop's middle mesh in one stroke."""
    encoder = model.encoder_
    volume = float(np.nanmedian(encoder.meshes["theoretical_ink_cm3_m2"].astype(float)))
    shifts = np.zeros_like(end.shifts)
    shifts[MOVERS.index(Mover.WET_OUT), column_of("wet_out")] = OFF
    shifts[MOVERS.index(Mover.SOAK), column_of("soak")] = OFF
    shifts[MOVERS.index(Mover.MIGRATION), column_of("migration")] = OFF
    haze = state.constants[[c.name for c in CONSTANTS].index("log_haze")]
    shifts[MOVERS.index(Mover.SURFACE), column_of("haze")] = np.log(DRAWDOWN_HAZE) - haze
    stack = replace(
        end.stack,
        base=np.full(1, -1),
        volume=np.full(1, volume),
        stencil_um=np.full(1, encoder.usual_stencil_um),
        strokes=np.ones(1),
        flashes=np.zeros(1),
        pores=np.zeros(1),
        discharges=np.zeros(1),
    )
    return _Place(stack, shifts, np.zeros_like(end.free), own_ground=True)


def _film(place: _Place, state: State) -> float:
    """Dry film of the ink, um, whatever the press does to it."""
    film = np.array([mover == Mover.FILM for mover in MOVERS])
    shifts = place.shifts[film].sum(axis=0, keepdims=True)
    return float(print_model.film_um(place.stack, state.constants, shifts)[0][0])


def along(shares: Array, start: Array, end: Array) -> Array:
    """dE00 (m,) that shares (m, 3) of the way from ``start`` to ``end`` (3,) contribute to it.

    Each is taken along the way, by the metric of dE00 half-way, and all are scaled to sum to the
    dE00 between start and end.
    """
    way = end - start
    pull = local_metric((start + end)[None] / 2)[0] @ way
    whole = float(way @ pull)
    if whole < 1e-12:
        return np.zeros(len(shares))
    return float(delta_e00(start, end)) * (shares @ pull) / whole


def _between(
    model: ShiftModel, state: State, start: _Place, end: _Place, on: NDArray[np.bool_]
) -> Array:
    """Lab (k, 3) with the movers ``on`` (k, m) as at ``end``, the others as at ``start``."""
    k = len(on)
    shifts = _chosen(on, start.shifts, end.shifts)
    fields = {
        name: np.where(
            _wide(on[:, MOVERS.index(mover)], getattr(end.stack, name)),
            getattr(end.stack, name),
            getattr(start.stack, name),
        )
        for mover, names in _BRINGS.items()
        for name in names
    }
    ink = np.repeat(end.stack.ink, k)
    if start.own_ground:
        k_ink = np.exp(state.log_k[ink] + print_model.by_wavelength(shifts))
        s_ink = np.exp(state.log_s[ink] + shifts[:, [column_of("scattering")]])
        own = kubelka_munk.r_infinity(k_ink, s_ink)
        base = fields["base"]
        of_base = kubelka_munk.r_infinity(np.exp(state.log_k[base]), np.exp(state.log_s[base]))
        thick = ~on[:, MOVERS.index(Mover.CLOTH)]  # of the base or the ink itself
        own = np.where((base >= 0)[:, None], of_base, own)
        fields["cloth"] = np.where(thick[:, None], own, fields["cloth"])
        fields["discharges"] = np.where(thick, 0.0, fields["discharges"])
    stack = Stack(ink=ink, log_solids=np.repeat(end.stack.log_solids, k), **fields)
    lab = print_model.lab(stack, state, shifts, model.viewing_)
    return lab + _chosen(on, start.free, end.free)


def _wide(on: NDArray[np.bool_], value: Array) -> NDArray[np.bool_]:
    return on.reshape(-1, *(1,) * (value.ndim - 1))


def _chosen(on: NDArray[np.bool_], start: Array, end: Array) -> Array:
    """The sum over movers of what each adds, (k, d), by ``on`` (k, m) from (m, d) each."""
    return start.sum(axis=0) + on.astype(float) @ (end - start)


def largest(shares: Shares, least_dE00: float = 0.05) -> Sequence[int]:
    """Positions of the movers worth telling, those that move most first."""
    order = np.argsort(-np.abs(shares.dE00))
    visible = np.sqrt(_visible(shares))
    return [int(i) for i in order if visible[i] >= least_dE00]


def _visible(shares: Shares) -> Array:
    """dE00^2 of each share by itself, by the metric half-way."""
    metric = local_metric((shares.start + shares.end)[None] / 2)[0]
    return np.maximum(np.einsum("mi,ij,mj->m", shares.lab, metric, shares.lab), 0.0)
