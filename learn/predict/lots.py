"""How each batch of an ink prints beside those before it, by what its prints have taught.

A batch moves colour by its strength, by spectral tilts of its absorption and by its white; a
model has a weight for each (`learn.fit.residual.TERMS`). Beside the mean of the ink's earlier
batches - strange ones count for less - what all batches have in common drops out. The difference
is taken along the tangents of the batch's own prints, so in dE00 as they show it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import delta_e00
from learn.colour.difference import local_metric
from learn.colour.looks import looks_beside
from learn.normal import Z90
from learn.physics import print_model
from learn.physics.drawdowns import lab_columns
from learn.physics.print_model import column_of

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel

Array = NDArray[np.floating]
Index = NDArray[np.intp]

STRENGTH = "strength"
_LEVELS = "lot"
# Standard deviations that 19 of 20 of a shop's usual batches stay within.
USUALLY_WITHIN = 1.96
# News is a difference of at least this share of the tolerance.
WORTH_TELLING = 0.5
# How much colour a stronger batch makes, the optics know to such a share; and what weights say of
# a batch is off by so much more than they have it. Chosen on 48 shops of no part, where 90 % bands
# of how strong batches are so hold 91 in 100 of them, and of those told as news 84 to 94 (75 of the
# 8 of 60 prints); without, 85 and 62 to 79.
SLOPE, BEYOND = 0.15, 1.2
# One print may be off by itself; several that agree are news.
FEWEST = 2


class Lot(NamedTuple):
    """A batch of ink beside those of the same ink that were printed before it."""

    ink: str
    lot: str
    percent: float  # stronger, below 0 weaker
    percent_sd: float
    dE00: float  # apart on the print of it that shows the usual difference
    looks: tuple[str, ...]  # on that print, as `learn.colour.looks.looks_beside` has it
    prints: int  # of it that were learnt from
    agree: int  # of these: nearer to what the batch prints than to what the earlier ones would
    before: int  # batches of the ink printed before it
    news: bool  # surely differs by more than this shop's batches usually do, so that it matters

    @property
    def surely_stronger(self) -> bool:
        """Or weaker: the sign of ``percent`` is beyond doubt."""
        return abs(self.percent) > Z90 * self.percent_sd


class Carded(NamedTuple):
    """A batch never printed, by a card of it beside the ink's own cards."""

    ink: str
    lot: str
    beside: str | None  # the lot of these; None: not told
    percent: float  # stronger, below 0 weaker
    percent_sd: float


class _Learnt(NamedTuple):
    """What the weights say of m batches along d latents."""

    names: tuple[str, ...]  # m, as `learn.fit.encoding` names them
    latents: list[str]  # d
    usual: Array  # (d,) standard deviation of the usual batch
    strange: Array  # (m,) as `learn.gp.terms.FittedTerm`
    mean: Array  # (m, d)
    covariance: Array  # (m, d, m, d)


class _Pair(NamedTuple):
    """A batch beside the mean of those before it, along d latents."""

    lot: int  # position among the names
    mean: Array  # (d,)
    covariance: Array  # (d, d)
    usual: Array  # (d, d) covariance, were all of them usual ones
    before: int


class _Printed(NamedTuple):
    """n prints of one batch, in Lab."""

    measured: Array  # (n, 3)
    with_it: Array  # (n, 3) as learnt
    without: Array  # (n, 3) as the earlier batches would have printed
    Q: Array  # (n, d, d) squared dE00 of a difference between batches, as a quadratic form

    def take(self, rows: slice) -> _Printed:
        return _Printed(*(part[rows] for part in self))


def lots_of(model: ShiftModel, prints: pd.DataFrame) -> list[Lot]:
    """Every batch of ``prints`` that has one of the same ink before it, in the order of inks and
    first prints.

    Of the prints of the shop's tables only those count that ``model`` has learnt from.
    """
    found = _learnt(model)
    prints = _learnt_from(model, prints)
    if found is None or not len(prints):
        return []
    at = pd.Index(found.names).get_indexer(model.encode(prints).X[_LEVELS])
    prints, at = prints[at >= 0].reset_index(drop=True), at[at >= 0]
    pairs = _beside_earlier(found, prints["ink_id"].to_numpy(), at)
    if not pairs:
        return []
    rows = np.concatenate([np.flatnonzero(at == pair.lot) for pair in pairs])
    each = np.cumsum([0] + [int((at == pair.lot).sum()) for pair in pairs])
    prints, of = prints.iloc[rows], np.repeat(np.arange(len(pairs)), np.diff(each))
    printed = _printed(model, prints, found.latents, np.array([p.mean for p in pairs])[of])
    tolerance = model.settings_.tolerance_dE00
    return [
        _lot(found, pair, prints.iloc[a:b], printed.take(slice(a, b)), tolerance)
        for pair, a, b in zip(pairs, each[:-1], each[1:], strict=True)
    ]


def carded_of(model: ShiftModel) -> list[Carded]:
    """What cards say of lots that no print has been learnt from."""
    if not model.cards_:
        return []
    found, counts = _learnt(model), model.likeness_.counts["lot"]
    if found is None or STRENGTH not in found.latents:
        return []
    at, k, told = list(found.names), found.latents.index(STRENGTH), []
    for card in model.cards_:
        if counts.get(card.level, 0) > 1:  # its card, and prints
            continue
        signs = {card.level: 1.0, f"{card.ink}\x1f{card.beside}": -1.0}
        own = [(at.index(level), sign) for level, sign in signs.items() if level in at]
        where, sign = (np.array(part) for part in zip(*own, strict=True))
        percent = 100 * np.expm1(sign @ found.mean[where, k])
        variance = sign @ found.covariance[where, k][:, where, k] @ sign
        sd = np.hypot((100 + percent) * np.sqrt(variance), SLOPE * percent)
        told.append(Carded(card.ink, card.lot, card.beside, float(percent), float(sd)))
    return told


def _learnt(model: ShiftModel) -> _Learnt | None:
    """None where the model has no such weights."""
    layout, first = model.layout_, model.layout_.first_term
    terms = [
        (i, fitted, columns)
        for i, (fitted, columns) in enumerate(zip(layout.terms, layout.term_slices, strict=True))
        if fitted.term.levels == _LEVELS and fitted.term.direction != "free" and fitted.size
    ]
    if not terms:
        return None
    names, strange = terms[0][1].level_names, terms[0][1].strange
    columns = np.stack([np.arange(c.start, c.stop) for _, _, c in terms], axis=1)
    picked = np.zeros((layout.size, columns.size))
    picked[columns.ravel(), np.arange(columns.size)] = 1.0
    half = model.posterior_.solved(picked, transposed=True)
    scale = np.sqrt([fitted.strange for _, fitted, _ in terms]).T  # (m, d)
    covariance = (half.T @ half).reshape(*columns.shape, *columns.shape)
    return _Learnt(
        names,
        [fitted.term.direction for _, fitted, _ in terms],
        np.exp(model.hyper_.block[[first + i for i, _, _ in terms]]),
        strange,
        scale * model.weights_[columns],
        covariance * scale[:, :, None, None] * scale,
    )


def _learnt_from(model: ShiftModel, prints: pd.DataFrame) -> pd.DataFrame:
    """Those a model has learnt from, with their measured Lab, in the order they were printed."""
    prints = prints.reset_index(drop=True)
    lab = lab_columns(prints, model.viewing_)
    use = np.isfinite(lab).all(axis=1)
    use &= prints["print_id"].isin(model.marks_["prints"]).to_numpy()
    use &= ~prints["print_id"].isin(model.set_aside_["print_id"]).to_numpy()
    use[model.encoder_.unknown(prints)["row"].to_numpy(int)] = False
    prints = prints.assign(**dict(zip("Lab", lab.T, strict=True)))[use]
    return prints.sort_values("printed_on", kind="stable", na_position="first").reset_index(
        drop=True
    )


def _beside_earlier(found: _Learnt, inks: NDArray, at: Index) -> list[_Pair]:
    """Every batch with earlier ones of its ink, from prints (n,) in the order of time, by the
    batch ``at`` (n,) each is of."""
    names, first, counts = np.unique(at, return_index=True, return_counts=True)
    pairs = []
    for ink in np.unique(inks[first].astype(str)):
        own = np.flatnonzero(inks[first] == ink)
        own = own[np.argsort(first[own])]
        for i in range(1, len(own)):
            this, before = names[own[i]], names[own[:i]]
            share = counts[own[:i]] / found.strange[before]
            share = share / share.sum()
            both, signs = np.append(before, this), np.append(-share, 1.0)
            pairs.append(
                _Pair(
                    this,
                    signs @ found.mean[both],
                    np.einsum("a,aibj,b->ij", signs, found.covariance[both][:, :, both], signs),
                    np.diag(found.usual**2) * (signs @ signs),
                    i,
                )
            )
    return pairs


def _printed(
    model: ShiftModel, prints: pd.DataFrame, latents: list[str], difference: Array
) -> _Printed:
    """Prints as learnt, and without a ``difference`` (n, d) along ``latents``."""
    on = model.in_print(prints)
    optics, columns = on.at(), [column_of(name) for name in latents]
    shifts = optics.shifts.copy()
    shifts[:, columns] -= difference
    along = print_model.tangents(on.stack, optics.state, optics.shifts, model.viewing_).latents
    with_it = on.lab(on.stack, optics)
    without = on.lab(on.stack, optics._replace(shifts=shifts))
    # dE00 of a difference d is sqrt(d' Q d)
    along = along[:, :, columns]
    Q = np.einsum("nci,ncd,ndj->nij", along, local_metric(with_it), along)
    return _Printed(prints[["L", "a", "b"]].to_numpy(float), with_it, without, Q)


def _lot(
    found: _Learnt, pair: _Pair, prints: pd.DataFrame, printed: _Printed, tolerance: float
) -> Lot:
    apart = delta_e00(printed.with_it, printed.without)
    agree = delta_e00(printed.measured, printed.with_it) < delta_e00(
        printed.measured, printed.without
    )
    typical = int(np.argsort(apart)[len(apart) // 2])
    Q = printed.Q.mean(axis=0)  # root mean square over the prints
    size = np.sqrt(max(float(pair.mean @ Q @ pair.mean), 1e-12))
    way = Q @ pair.mean / size
    sure = size - Z90 * np.sqrt(way @ pair.covariance @ way)
    usually = USUALLY_WITHIN * np.sqrt(way @ pair.usual @ way)
    told = len(prints) >= FEWEST and 2 * agree.sum() > len(prints)
    percent, sd = 0.0, np.inf
    if STRENGTH in found.latents:
        at = found.latents.index(STRENGTH)
        percent = 100 * np.expm1(pair.mean[at])
        sd = BEYOND * (100 + percent) * np.sqrt(pair.covariance[at, at])
        sd = np.hypot(sd, SLOPE * percent)
    return Lot(
        ink=str(prints["ink_id"].iloc[0]),
        lot=str(prints["ink_lot"].iloc[0]),
        percent=float(percent),
        percent_sd=float(sd),
        dE00=float(apart[typical]),
        looks=looks_beside(printed.with_it[typical], printed.without[typical]),
        prints=len(prints),
        agree=int(agree.sum()),
        before=pair.before,
        news=bool(told and sure > max(usually, WORTH_TELLING * tolerance)),
    )
