"""What moves a print: the way from bucket to print, or from print to print, in shares that add up.

Every cause is switched on or off: the cloth beneath, the base, this screen's film, ... each state
through the whole optics. What prints cannot tell apart is one cause: a cloth that shows through,
is wet by ink and takes it in; what prints have taught of the surface, and what is left.

From the bucket to a print there is a way that a press could go, and a cause's share is what its
step changes (`STEPS`). The bucket is the ink upon itself; then it lies upon a thick layer of the
base, then upon base and cloth. So each step hides as well as the print does: averaged over all
orders, the cloth would be seen through films that are not there, and what covers it would take as
much away again.

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
from zlib import crc32

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.difference import local_metric
from learn.errors import Unusable
from learn.fit.linearisation import THROUGH
from learn.gp.posterior import one_thread
from learn.normal import mirrored
from learn.physics import kubelka_munk, print_model
from learn.physics.drawdowns import DRAWDOWN_HAZE
from learn.physics.print_model import CONSTANTS, Stack, State, column_of
from learn.predict.carrying import carried
from learn.process import AT_PRESS

if TYPE_CHECKING:
    from learn.gp.terms import Term
    from learn.predict.model import ShiftModel

Array = NDArray[np.float64]

OFF = -30.0  # on a log or logit scale: none of it
N_DRAWS, SEED = 32, 7
SURE = 1.28  # standard deviations from which nine in ten have the sign told


class Mover(StrEnum):
    """What moves a print away."""

    CLOTH = "cloth"  # the garment shows through, wet by ink that sinks in, or what dye is left
    BASE = "base"  # lies between cloth and ink
    FILM = "film"  # of this screen and strokes; from the bucket, what it lacks of an ordinary one
    MIGRATION = "migration"  # the garment's dye wandered into the print
    LOT = "lot"  # strength of this batch
    PRESS = "press"  # and its settings
    LEARNT = "learnt"  # what the prints have shown beyond all that


MOVERS = tuple(Mover)
# From the bucket on. The film comes first where it is no thinner than one stroke through the
# shop's middle mesh.
STEPS = (
    *(Mover.LOT, Mover.LEARNT, Mover.BASE, Mover.CLOTH, Mover.FILM),
    *(Mover.MIGRATION, Mover.PRESS),
)
# What of a stack each mover brings with it.
_BRINGS = {
    Mover.CLOTH: ("cloth", "pores", "discharges"),
    Mover.BASE: ("base", "base_volume", "base_stencil_um", "log_base_solids", "base_strokes"),
    Mover.FILM: ("volume", "stencil_um", "strokes", "flashes"),
}
_OF_DIRECTION = {
    **dict.fromkeys(("film", "both_films", "uneven"), Mover.FILM),
    "base_film": Mover.BASE,
    **dict.fromkeys(("strength", "tilt", "bow", "scattering"), Mover.LOT),
    **dict.fromkeys(("wet_out", "soak", "discharge"), Mover.CLOTH),
    "migration": Mover.MIGRATION,
    "fibres": Mover.CLOTH,
    **dict.fromkeys(("haze", "light", "free"), Mover.LEARNT),
}


class Shares(NamedTuple):
    """One way from ``start`` to ``end``; shares in the order of `MOVERS`."""

    start: Array  # (3,) Lab
    end: Array  # (3,)
    lab: Array  # (m, 3): sum to end - start
    dE00: Array  # (m,): along the way, sum to the dE00 between start and end; below 0: takes away
    unsure_dE00: Array  # (m,): one standard deviation of what is not known of each

    @property
    def total_dE00(self) -> float:
        """From start to end."""
        return float(delta_e00(self.start, self.end))

    @property
    def surely(self) -> NDArray[np.bool_]:
        """Whether each share (m,) surely has the sign it has."""
        return np.abs(self.dE00) >= SURE * self.unsure_dE00


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


@one_thread
def from_bucket(model: ShiftModel, setup: pd.DataFrame) -> Shares:
    """What moves the print of one set-up (one row) away from the ink in the bucket.

    Raises Unusable when it names what the model has not been told of.
    """
    plainly = _plainly(model, setup)
    drawn = _drawn(model, setup)
    places = zip(drawn, _places(model, setup, drawn), _places(model, plainly, drawn), strict=True)
    measured = model.bucket_measured(str(setup["ink_id"].iloc[0]))
    bucket = model.buckets(list(setup["ink_id"]))[0][0]
    off, order, gap = np.zeros((1, len(MOVERS)), bool), list(STEPS), None
    found: list[tuple[Array, Array, Array]] = []
    for weights, end, plain in places:
        state = model.layout_.state(weights)
        start = _bucket(end, plain, state)
        # An ink may print otherwise than it was drawn down: that was learnt from prints.
        if gap is None or measured:
            gap = bucket - _between(model, state, start, start, off)[0]
        if not found and _film(end, state) >= _film(start, state):
            order.insert(0, order.pop(order.index(Mover.FILM)))
        free = start.free.copy()
        free[MOVERS.index(Mover.LEARNT)] += gap
        on = np.array(
            [[mover in order[:step] for mover in MOVERS] for step in range(len(order) + 1)]
        )
        lab = _between(model, state, replace(start, free=free), end, on)
        shares = np.zeros((len(MOVERS), 3))
        shares[[MOVERS.index(mover) for mover in order]] = np.diff(lab, axis=0)
        found.append((lab[0], lab[-1], shares))
    return _told(found)


@one_thread
def from_print(model: ShiftModel, setup: pd.DataFrame, beside: pd.DataFrame) -> Shares:
    """What moves the print of one set-up away from that of another of the same ink.

    Raises Unusable when the inks differ, or for what the model has not been told of.
    """
    if setup["ink_id"].iloc[0] != beside["ink_id"].iloc[0]:
        msg = "the two prints are of different inks: shares are told of one ink in two places"
        raise Unusable(msg)
    drawn = _drawn(model, pd.concat([setup, beside]))
    m, found = len(MOVERS), []
    on = np.indices((2,) * m).reshape(m, -1).T.astype(bool)
    places = zip(drawn, _places(model, beside, drawn), _places(model, setup, drawn), strict=True)
    for weights, start, end in places:
        lab = _between(model, model.layout_.state(weights), start, end, on)
        found.append((lab[0], lab[-1], shapley(lab.reshape((2,) * m + (3,)))))
    return _told(found)


def _told(found: Sequence[tuple[Array, Array, Array]]) -> Shares:
    """Start, end and shares of the first way; the others are what it may be as well."""
    dE00, *others = (along(lab, start, end) for start, end, lab in found)
    start, end, lab = found[0]
    return Shares(start, end, lab, dE00, np.sqrt(np.mean((np.array(others) - dE00) ** 2, axis=0)))


def _drawn(model: ShiftModel, setups: pd.DataFrame) -> Array:
    """Weights (1 + draws, p): as they are, and as they may be for set-ups of such news."""
    size, widest = model.layout_.size, model.spread(setups).max()
    away = model.posterior_.solved(mirrored(N_DRAWS // 2, size, SEED).T).T
    drawn: Array = model.weights_ + np.vstack([np.zeros(size), widest * away])
    return drawn


def _places(model: ShiftModel, setup: pd.DataFrame, drawn: Array) -> list[_Place]:
    """One set-up at each of the weights ``drawn`` (1 + draws, p), what no weight carries drawn
    likewise, alike for what has a level of a term in common."""
    layout, spread = model.layout_, float(model.spread(setup)[0])
    rows = layout.with_ground(model.encode(setup.reset_index(drop=True)), model.weights_)
    features = layout.features(rows, model.log_lengths_)
    learnt = layout.lab(rows, model.weights_, features)
    over = carried(model, rows, learnt)
    log_sd = model.hyper_.block[layout.first_term :]
    rests = []
    for fitted, (_, left), log in zip(layout.terms, features, log_sd, strict=True):
        term = fitted.term
        level = str(rows.X[term.levels].iloc[0]) if term.levels else ""
        z = mirrored(N_DRAWS // 2, 3, crc32(f"{term.name} {level}".encode()))
        rests.append(spread * np.exp(log) * np.sqrt(left[0]) * np.vstack([np.zeros(3), z]))
    stack = rows.stack
    if based := stack.base[0] >= 0:  # what a base seals neither takes ink in nor loses its dye
        stack = replace(stack, discharges=np.zeros(1))
    which = np.vstack([np.zeros(1), mirrored(N_DRAWS // 2, 1, SEED)])
    places = []
    for k, weights in enumerate(drawn):
        shifts = np.zeros((len(MOVERS), len(print_model.LATENTS)))
        free = np.zeros((len(MOVERS), 3))
        for (term, through, added), rest in zip(
            layout.pushes(features, weights, 1), rests, strict=True
        ):
            at = MOVERS.index(_mover(term))
            shifts[at] += through[0]
            free[at] += added[0]
            if term.direction == "free":
                free[at] += rest[k]
            else:
                shifts[at, THROUGH[term.direction]] += rest[k, 0]
        free[MOVERS.index(Mover.LEARNT)] += (over.mean - learnt + which[k] * over.unsure)[0]
        if based:
            shifts[MOVERS.index(Mover.CLOTH), column_of("soak")] = OFF
        places.append(_Place(stack, shifts, free))
    return places


def _mover(term: Term) -> Mover:
    if term.levels in ("press", "era", "stretch") or AT_PRESS & set(term.smooth):
        return Mover.PRESS
    return _OF_DIRECTION[term.direction]


def _plainly(model: ShiftModel, setup: pd.DataFrame) -> pd.DataFrame:
    """The set-up in one stroke through the shop's middle mesh, the finer of two."""
    meshes, usual_stencil_um = model.encoder_.meshes, model.encoder_.usual_stencil_um
    volume = meshes["theoretical_ink_cm3_m2"].astype(float).sort_values(kind="stable")
    middle = volume.index[(len(volume) - 1) // 2]
    return setup.assign(mesh_id=middle, strokes=1.0, flash_count=0.0, eom_um=usual_stencil_um)


def _bucket(end: _Place, plain: _Place, state: State) -> _Place:
    """The ink of ``end`` upon itself, in the film of ``plain``: as this ink lies on this cloth,
    so that what a film is beside it is of the screen alone."""
    film = MOVERS.index(Mover.FILM)
    shifts = np.zeros_like(end.shifts)
    shifts[film] = plain.shifts[film]
    shifts[MOVERS.index(Mover.MIGRATION), column_of("migration")] = OFF
    haze = state.constants[[c.name for c in CONSTANTS].index("log_haze")]
    shifts[MOVERS.index(Mover.LEARNT), column_of("haze")] = np.log(DRAWDOWN_HAZE) - haze
    stack = replace(
        end.stack,
        base=np.full(1, -1),
        **{name: getattr(plain.stack, name) for name in _BRINGS[Mover.FILM]},
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
