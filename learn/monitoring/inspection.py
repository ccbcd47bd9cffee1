"""Measured prints held against what was expected of them, before anything is learnt from them.

A print is doubtful when its colour lies further from the prediction than all but a stated share
of right ones do. What may have gone wrong is weighed like any other uncertain thing: every slip
a shop commonly makes - another ink, the base forgotten, two columns exchanged, two prints mixed
up - predicts a colour; the one that explains what was measured is named, and only if it does.
Prints of one lot or press that are off alike, by no such slip, bear each other out (`agreeing`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import logsumexp

from learn.colour.colorimetry import delta_e00
from learn.gp.posterior import one_thread
from learn.monitoring.agreeing import borne_out
from learn.normal import distance_at, log_density, squared_distance
from learn.predict.protocol import Predicts, PrintModel
from learn.shop import UNDERBASE

Array = NDArray[np.floating]

# A print this near to what was expected is no slip that matters, however sure the model was: half
# of a just visible difference. Common practice, no source.
SMALLEST_dE00 = 0.5
FALSE_ALARM = 1e-4  # nominal tail; tails of real prints are heavier, see DEVELOPERS.md
ORDINARY = distance_at(0.01)  # squared distance 99 of 100 right prints stay under
NAMED_FROM = 0.8  # probability of a kind of slip from which it is named
MOST_EXPLAINED = 200  # of one batch, the most doubtful first: beyond that it is not slips

# Slips at the keyboard: where the true L, a, b stand among the three typed, and their signs.
TYPED = {
    "a and b exchanged": ([0, 2, 1], [1, 1, 1]),
    "the sign of a lost": ([0, 1, 2], [1, -1, 1]),
    "the sign of b lost": ([0, 1, 2], [1, 1, -1]),
    "the signs of a and b lost": ([0, 1, 2], [1, -1, -1]),
    "L and a exchanged": ([1, 0, 2], [1, 1, 1]),
    "L and b exchanged": ([2, 1, 0], [1, 1, 1]),
    "L, a, b one column too far left": ([2, 0, 1], [1, 1, 1]),
    "L, a, b one column too far right": ([1, 2, 0], [1, 1, 1]),
}


class Slip(NamedTuple):
    """What probably went wrong: ``kind`` is ink, base, typed or print, with its candidates."""

    kind: str
    names: list[str]  # likely first
    probability: float


class Arrival(NamedTuple):
    """n prints on arrival; NaN and False where the model cannot tell."""

    expected: Array  # (n, 3) Lab
    distance: Array  # (n,) standardised, in standard deviations
    dE00: Array  # (n,)
    doubtful: NDArray[np.bool_]  # (n,) and not borne out by others
    slips: list[Slip | None]


def limit(false_alarm: float = FALSE_ALARM) -> float:
    """Standardised distance beyond which a print is doubtful (chi, 3 degrees of freedom)."""
    return distance_at(false_alarm) ** 0.5


def known_to(model: Predicts, prints: pd.DataFrame) -> NDArray[np.bool_]:
    """Which of n prints name nothing that the model has not been told of, (n,)."""
    known = np.ones(len(prints), bool)
    known[model.encoder_.unknown(prints)["row"].unique().astype(int)] = False
    return known


@one_thread
def inspect_arrivals(
    model: Predicts,
    prints: pd.DataFrame,
    lab: Array,
    *,
    typed: NDArray[np.bool_],
    bases: pd.DataFrame,
    false_alarm: float = FALSE_ALARM,
    waiting: tuple[pd.DataFrame, Array] | None = None,
) -> Arrival:
    """Hold n measured prints against the model.

    Parameters
    ----------
    prints : their set-ups, columns as `learn.shop.SETUP_COLUMNS` and ``print_id``
    lab : (n, 3) as measured
    typed : (n,) whether L, a, b were typed in (a spectrum from an instrument is not)
    bases : the shop's usual underbases, columns `learn.shop.UNDERBASE`
    waiting : prints that came before, were doubtful and wait for a decision, and their Lab: these
        and those that come now may bear each other out
    """
    n = len(prints)
    prints = prints.reset_index(drop=True)
    known = known_to(model, prints) & np.isfinite(lab).all(axis=1)
    expected, distance = np.full((n, 3), np.nan), np.full(n, np.nan)
    slips: list[Slip | None] = [None] * n
    if not known.any():
        return Arrival(expected, distance, distance.copy(), np.zeros(n, bool), slips)
    told = model.predict_lab(prints[known])
    covariance = np.full((n, 3, 3), np.nan)
    expected[known], covariance[known] = told.mean, told.covariance
    distance[known] = np.sqrt(squared_distance(lab[known] - told.mean, told.covariance))
    dE00 = delta_e00(lab, expected)
    doubtful = (np.nan_to_num(distance) > limit(false_alarm)) & (dE00 > SMALLEST_dE00)
    worst = np.flatnonzero(doubtful)[np.argsort(-distance[doubtful])][:MOST_EXPLAINED]
    worst = np.sort(worst)
    if len(worst):
        here = Normal(expected, covariance)
        for row, slip in zip(
            worst, _explain(model, prints, lab, here, known, worst, typed, bases), strict=True
        ):
            slips[row] = slip
    if doubtful.any() and isinstance(model, PrintModel):
        named = np.array([slip is not None for slip in slips])
        rows = np.flatnonzero(known)
        come = _Come(prints.iloc[rows], lab[rows], distance[rows], (doubtful & ~named)[rows])
        usual, more = ~doubtful[rows], _still_off(model, waiting, false_alarm)
        if more is not None:
            come = come.and_then(more)
            usual = np.concatenate([usual, np.zeros(len(more.lab), bool)])
        news = borne_out(model, *come, usual, limit(false_alarm))[: len(rows)]
        doubtful[rows[news]] = False
    return Arrival(expected, distance, dE00, doubtful, slips)


class _Come(NamedTuple):
    """m prints as `learn.monitoring.agreeing.borne_out` looks at them."""

    prints: pd.DataFrame
    lab: Array  # (m, 3)
    distance: Array  # (m,)
    doubtful: NDArray[np.bool_]  # (m,)

    def and_then(self, later: _Come) -> _Come:
        """These, then others."""
        prints = pd.concat([self.prints, later.prints], ignore_index=True)
        return _Come(
            prints, *(np.concatenate(two) for two in zip(self[1:], later[1:], strict=True))
        )


def _still_off(
    model: Predicts, waiting: tuple[pd.DataFrame, Array] | None, false_alarm: float
) -> _Come | None:
    """Of the prints that wait those that are as doubtful as ever."""
    if waiting is None:
        return None
    prints, lab = waiting[0].reset_index(drop=True), waiting[1]
    known = known_to(model, prints) & np.isfinite(lab).all(axis=1)
    prints, lab = prints[known].reset_index(drop=True), lab[known]
    if not len(prints):
        return None
    told = model.predict_lab(prints)
    distance = np.sqrt(squared_distance(lab - told.mean, told.covariance))
    off = (distance > limit(false_alarm)) & (delta_e00(lab, told.mean) > SMALLEST_dE00)
    at = np.flatnonzero(off)
    return _Come(prints.iloc[at], lab[at], distance[at], off[at]) if len(at) else None


class Normal(NamedTuple):
    """Normal distributions of colours: mean (..., 3), covariance (..., 3, 3)."""

    mean: Array
    covariance: Array

    def take(self, rows: NDArray[np.intp]) -> Normal:
        return Normal(self.mean[rows], self.covariance[rows])

    def squared(self, lab: Array) -> Array:
        """Squared standardised distance (...) of colours (..., 3)."""
        return squared_distance(lab - self.mean, self.covariance)

    def log_density(self, lab: Array) -> Array:
        """Log density (...) at colours (..., 3)."""
        return log_density(lab - self.mean, self.covariance)


class _Candidates(NamedTuple):
    """Explanations of one kind for m rows: log density (m, k) and squared distance (m, k)."""

    kind: str
    names: list[list[str]]  # m lists of k
    log_density: Array  # -inf where it does not apply
    squared: Array


def _explain(
    model: Predicts,
    prints: pd.DataFrame,
    lab: Array,
    here: Normal,
    known: NDArray[np.bool_],
    rows: NDArray[np.int64],
    typed: NDArray[np.bool_],
    bases: pd.DataFrame,
) -> list[Slip | None]:
    seen, measured = here.take(rows), lab[rows]
    kinds = [
        _other_setups(model, "ink", *_other_inks(model, prints.iloc[rows]), measured),
        _other_setups(model, "base", *_other_bases(prints.iloc[rows], bases), measured),
        _typed_otherwise(seen, measured, typed[rows]),
        _other_prints(prints, here, known, rows, measured),
    ]
    # A fault of no known kind: off by as much as it is, in any direction.
    off = np.maximum(((measured - seen.mean) ** 2).mean(axis=1), 1e-6)
    anything = Normal(seen.mean, off[:, None, None] * np.eye(3)).log_density(measured)
    weights = [anything, seen.log_density(measured)]
    weights += [_mean_density(kind) for kind in kinds]
    share = np.exp(weights - logsumexp(weights, axis=0))[2:]  # all kinds alike likely before
    return [_named(kinds, share[:, i], i) for i in range(len(rows))]


def _named(kinds: list[_Candidates], share: Array, i: int) -> Slip | None:
    best = int(np.argmax(share))
    if share[best] < NAMED_FROM:
        return None
    kind = kinds[best]
    density = kind.log_density[i]
    first = int(np.argmax(density))
    if kind.squared[i, first] > ORDINARY:
        return None
    likely = np.argsort(-density)[:3]
    names = [kind.names[i][k] for k in likely if density[k] > density[first] - np.log(5)]
    return Slip(kind.kind, names, float(share[best]))


def _mean_density(kind: _Candidates) -> Array:
    """Log of the mean density over the candidates of a kind, each as likely as the next."""
    if not kind.log_density.shape[1]:
        return np.full(len(kind.log_density), -np.inf)
    applies = np.isfinite(kind.log_density).sum(axis=1)
    return logsumexp(kind.log_density, axis=1) - np.log(np.maximum(applies, 1))


def _other_setups(
    model: Predicts, kind: str, setups: pd.DataFrame, names: list[list[str]], lab: Array
) -> _Candidates:
    """Candidates that print something else: ``setups`` holds k rows for each of the m prints."""
    m, k = len(lab), len(names[0])
    if not k:
        nothing = np.zeros((m, 0))
        return _Candidates(kind, names, nothing, nothing)
    told = model.predict_lab(setups)
    as_told = Normal(told.mean.reshape(m, k, 3), told.covariance.reshape(m, k, 3, 3))
    density = as_told.log_density(lab[:, None])
    same = setups["same"].to_numpy(bool).reshape(m, k)
    return _Candidates(kind, names, np.where(same, -np.inf, density), as_told.squared(lab[:, None]))


def _other_inks(model: Predicts, prints: pd.DataFrame) -> tuple[pd.DataFrame, list[list[str]]]:
    inks = list(model.encoder_.inks.index)
    setups = prints.loc[prints.index.repeat(len(inks))].reset_index(drop=True)
    other = pd.Series(inks * len(prints), dtype=object)
    setups["same"] = other == setups["ink_id"]
    # A lot belongs to its ink.
    return setups.assign(ink_id=other, ink_lot=None), [inks] * len(prints)


def _other_bases(prints: pd.DataFrame, bases: pd.DataFrame) -> tuple[pd.DataFrame, list[list[str]]]:
    """Without the base where there was one; with each usual one where there was none."""
    k = 1 + len(bases)
    setups = prints.loc[prints.index.repeat(k)].reset_index(drop=True)
    which = np.tile(np.arange(k), len(prints))
    based = setups["underbase_ink_id"].notna().to_numpy()
    for column in UNDERBASE:
        options = [None, *bases[column]]
        setups[column] = pd.Series([options[w] for w in which], dtype=object)
    setups["underbase_strokes"] = setups["underbase_strokes"].astype(float)
    setups["same"] = based == (which > 0)
    return setups, [["", *bases["underbase_ink_id"]]] * len(prints)


def _typed_otherwise(seen: Normal, lab: Array, typed: NDArray[np.bool_]) -> _Candidates:
    meant = np.stack([lab[:, order] * np.array(sign) for order, sign in TYPED.values()], axis=1)
    wide = Normal(seen.mean[:, None], seen.covariance[:, None])
    applies = typed[:, None] & (meant[:, :, 0] >= 0) & (meant[:, :, 0] <= 100)
    density = np.where(applies, wide.log_density(meant), -np.inf)
    return _Candidates("typed", [list(TYPED)] * len(lab), density, wide.squared(meant))


def _other_prints(
    prints: pd.DataFrame,
    here: Normal,
    known: NDArray[np.bool_],
    rows: NDArray[np.int64],
    lab: Array,
) -> _Candidates:
    """Measured in place of another print of the batch."""
    others = np.flatnonzero(known)
    there = here.take(others)
    wide = Normal(there.mean[None], there.covariance[None])
    same = rows[:, None] == others
    density = np.where(same, -np.inf, wide.log_density(lab[:, None]))
    names = prints["print_id"].to_numpy()[others].tolist()
    return _Candidates("print", [names] * len(rows), density, wide.squared(lab[:, None]))
