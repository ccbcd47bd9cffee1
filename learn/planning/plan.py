"""Find the set-up that lands on a target on every garment of a job.

All candidates are looked at by their means (`learn.planning.search`); those near enough to matter
get their full covariance over the garments (`learn.predict.garments`); what no other plan beats in
everything is told (`learn.planning.pareto`), with what it changes from the shop's usual set-up
(`learn.planning.reasons`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from learn.colour.colorimetry import delta_e00
from learn.errors import Unusable
from learn.gp.posterior import one_thread
from learn.normal import sd_of
from learn.planning.candidates import Grid, Limits
from learn.planning.pareto import short_list
from learn.planning.reasons import Reason, Reasons
from learn.planning.search import MARGIN, Scored, search
from learn.predict.costs import decide
from learn.predict.garments import (
    draws,
    facts_of,
    interval,
    joint,
    on_garments,
    outcome,
    spread_between,
)
from learn.predict.novelty import together
from learn.predict.protocol import Joint
from learn.process import AT_PRESS, SETTING_COLUMNS
from learn.shop import UNDERBASE

if TYPE_CHECKING:
    from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]

BANDS_FOR = 160  # set-ups that get bands
EACH_EFFORT = 24  # of these at each amount of press work
EACH_INK = 4  # and so many of each ink and base: one is surer than another


@dataclass(frozen=True)
class Plan:
    """The answer: ranked lines, the colour each gives on each garment, what is in the way.

    ``lines``: the columns of a set-up; ``base_on``, a tuple of garments; ``p_all``, the chance
    that every garment is within tolerance; ``worst_dE00`` of the means on ``worst_garment``,
    with ``worst_lo`` and ``worst_hi`` (90 %); ``spread_dE00``, the largest difference between the
    means of two garments, with ``spread_lo`` and ``spread_hi``; ``press_steps``, strokes and
    flashes a garment; ``film_um``, dry ink and base where thickest; ``verdict``, ``cause``,
    ``expected_cost``, ``turns_at`` (`learn.predict.costs`); ``unseen``, a tuple of what of it was
    never printed; ``changes`` from the usual line and ``n_changes`` of them; ``why``, a tuple
    (`learn.planning.reasons.Reason`); ``smallest_change``, whether no other line that lands
    changes less.

    ``colours``: a row a line and garment: ``line``, ``substrate_id``, ``based``, L, a, b,
    ``L_sd``, ``a_sd``, ``b_sd``, ``dE00``, ``p``.

    ``usual``: one line of the same kind, the bucket ink at the shop's usual set-up.
    """

    target: Array
    tolerance: float
    garments: list[str]
    lines: pd.DataFrame
    colours: pd.DataFrame
    usual: pd.Series
    usual_colours: pd.DataFrame
    n_candidates: int
    in_the_way: list[Reason]  # empty where the best line lands

    @property
    def reached(self) -> bool:
        """Whether the nearest line's mean lies within tolerance on every garment."""
        return bool(self.lines["worst_dE00"].min() <= self.tolerance)


@one_thread
def plan(
    model: PrintModel,
    target: ArrayLike,
    garments: list[str],
    *,
    tolerance: float | None = None,
    limits: Limits | None = None,
    usual: Mapping[str, Any] | None = None,
    most: int = 6,
) -> Plan:
    """The set-ups worth considering for one target colour on all ``garments``.

    Parameters
    ----------
    target : (3,) Lab under the shop's viewing condition
    tolerance : dE00; the shop's own unless given
    limits : what may be printed with; everything the tables name unless given
    usual : the set-up to tell changes from (:func:`usual_setup`); its press and its settings
        of squeegee, angle, gap and stencil are kept where ``limits`` says nothing else
    most : lines at most

    Raises
    ------
    Unusable
        for a target that is no colour, a garment or limit the tables do not name, or limits
        under which nothing can be printed.
    """
    target, garments = checked_target(target), checked_garments(model, garments)
    tolerance = model.settings_.tolerance_dE00 if tolerance is None else float(tolerance)
    if not tolerance > 0:
        msg = f"the tolerance is {tolerance:g} dE00: it must be above 0"
        raise Unusable(msg)
    usual = dict(usual or {})
    limits = _with_usual(limits or Limits(), usual)
    grid = Grid.of(model, limits)
    found = search(model, grid, target, garments, tolerance)
    setups, based = _to_judge(grid, found, tolerance)
    first = _usual_line(grid, usual, bucket_ink(model, target, grid.inks))
    setups = pd.concat([first, setups], ignore_index=True)
    based = np.vstack([np.repeat(first[UNDERBASE[0]].notna(), len(garments)), based])
    predicted = joint(model, setups, garments, based)
    lines = _lines(model, setups, based, predicted, target, garments, tolerance)
    best = np.r_[0, 1 + short_list(lines.iloc[1:], most)]
    predicted = predicted.take(best)
    lines = _with_spread_bands(lines.iloc[best].reset_index(drop=True), predicted)
    lines = _decided(model, lines, based[best], predicted, target, garments, tolerance)
    colours = _colours(predicted, based[best], target, garments, tolerance)
    reasons = Reasons(model, target, tolerance, garments)
    lines = reasons.told(lines)
    landed = lines["worst_dE00"] <= tolerance
    likely = lines["p_all"] >= 0.5 * lines["p_all"].max()
    fewest = lines["n_changes"].where(landed).iloc[1:].min()
    lines["smallest_change"] = landed & likely & (lines["n_changes"] == fewest)
    return Plan(
        target,
        tolerance,
        garments,
        lines.iloc[1:].reset_index(drop=True),
        colours[colours["line"] > 0].reset_index(drop=True),
        lines.iloc[0],
        colours[colours["line"] == 0],
        len(grid),
        reasons.in_the_way(lines.iloc[1:], colours, grid),
    )


def checked_target(target: ArrayLike) -> Array:
    """A target as (3,) Lab; raises Unusable where it is not one.

    Examples
    --------
    >>> checked_target([45, 60, 200])
    Traceback (most recent call last):
    ...
    learn.errors.Unusable: the target's b is 200: L lies in 0 to 100, a and b within 150
    """
    lab = np.asarray(target, float)
    if lab.shape != (3,) or not np.isfinite(lab).all():
        msg = "the target must be three numbers, L, a and b"
        raise Unusable(msg)
    for name, value, low, high in zip("Lab", lab, (0, -150, -150), (100, 150, 150), strict=True):
        if not low <= value <= high:
            msg = f"the target's {name} is {value:g}: L lies in 0 to 100, a and b within 150"
            raise Unusable(msg)
    return lab


def checked_garments(model: PrintModel, garments: list[str]) -> list[str]:
    """The garments once each; raises Unusable when there is none, or one is not known."""
    garments = list(dict.fromkeys(garments))
    if not garments:
        msg = "there is no garment to print on: name at least one"
        raise Unusable(msg)
    for one in garments:
        if one not in model.encoder_.substrates.index:
            msg = f"garment '{one}' is in none of the shop's tables"
            raise Unusable(msg)
    return garments


def usual_setup(
    prints: pd.DataFrame, garments: list[str], press: str | None = None
) -> dict[str, Any]:
    """What the shop mostly does: the most frequent screen, base, press and settings of it.

    Taken from the prints on these garments where there are ten or more, else from all; what is
    set at the ``press``, the most frequent one unless named, from all that came off it. The ink is
    not part of it; None stands for no base, and for what was never written down.

    Examples
    --------
    >>> prints = pd.DataFrame({"substrate_id": ["tee"] * 3, "mesh_id": ["43", "77", "77"],
    ...                        "strokes": 1.0, "flash_count": 0.0, "press_id": "P1"})
    >>> usual = usual_setup(prints, ["tee"])
    >>> usual["mesh_id"], usual["press_id"], usual["underbase_ink_id"]
    ('77', 'P1', None)
    """
    here = prints[prints["substrate_id"].isin(garments)]
    rows = here if len(here) >= 10 else prints
    usual: dict[str, Any] = {}
    screen = ["mesh_id", "strokes", "flash_count"]
    for columns in (screen, UNDERBASE, *([c] for c in ("press_id", *SETTING_COLUMNS))):
        where, on = rows, usual.get("press_id") if press is None else press
        if on is not None and columns[0] in AT_PRESS and (prints["press_id"] == on).any():
            where = prints[prints["press_id"] == on]
        cells = where.reindex(columns=columns)
        if columns is UNDERBASE and len(cells):  # first which base, or none, then how it is laid
            base = cells[UNDERBASE[0]]
            mostly = base.value_counts(dropna=False).index[0]
            cells = cells[base.isna() if pd.isna(mostly) else base.eq(mostly)]
        # a print without base has none on purpose; another empty cell was not written down
        counts = cells.value_counts(dropna=columns is not UNDERBASE)
        values = counts.index[0] if len(counts) else [None] * len(columns)
        usual |= {c: None if pd.isna(v) else v for c, v in zip(columns, values, strict=True)}
    return usual


def bucket_ink(model: PrintModel, target: Array, inks: list[str]) -> str:
    """The ink whose bucket is nearest to the target: what one would reach for."""
    bucket = model.buckets(inks)[0]
    return inks[int(np.argmin(delta_e00(bucket, target)))]


def _with_usual(limits: Limits, usual: Mapping[str, Any]) -> Limits:
    fixed = {c: usual[c] for c in SETTING_COLUMNS if usual.get(c) is not None}
    press = usual.get("press_id")
    presses = limits.presses or (None if press is None else (press,))
    return replace(limits, fixed=fixed | dict(limits.fixed), presses=presses)


def _usual_line(grid: Grid, usual: Mapping[str, Any], ink: str) -> pd.DataFrame:
    """The usual set-up with the bucket ink, one row; the grid's first where none is known."""
    number = np.ravel_multi_index((0, grid.inks.index(ink), 0, 0, 0), grid.shape)
    line = grid.setups(np.array([number]))
    if usual.get("mesh_id") is not None:
        for column in ("mesh_id", "strokes", "flash_count", *UNDERBASE):
            value = usual.get(column)
            line[column] = np.nan if value is None and column == UNDERBASE[2] else value
    return line


def _to_judge(grid: Grid, found: Scored, tolerance: float) -> tuple[pd.DataFrame, NDArray]:
    """The candidates that get bands: the nearest at each amount of press work, and of each ink."""
    worst = found.dE.max(axis=1)
    near = found.take(np.argsort(worst, kind="stable")[: 12 * BANDS_FOR])
    setups = grid.setups(near.numbers)
    effort = press_steps(setups, near.based)
    kept = _first(EACH_EFFORT, [effort])[:BANDS_FOR]
    base = setups[UNDERBASE[0]].where(near.based.any(axis=1)).fillna("")
    worst = near.dE.max(axis=1)
    inks = _first(EACH_INK, [setups["ink_id"].to_numpy(), base.to_numpy()])
    kept = np.union1d(kept, inks[worst[inks] <= max(tolerance, worst[0]) + MARGIN])
    return setups.iloc[kept], near.based[kept]


def _first(most: int, of: list[NDArray]) -> NDArray[np.intp]:
    """Positions of the first ``most`` of each combination of ``of``, (n,) each."""
    turn = pd.DataFrame(dict(enumerate(of))).groupby(list(range(len(of)))).cumcount()
    return np.flatnonzero(turn < most)


def press_steps(setups: pd.DataFrame, based: NDArray[np.bool_]) -> Array:
    """Strokes and flashes a garment (n,); a base has its strokes and the flash after it."""
    top = setups["strokes"].to_numpy(float) + setups["flash_count"].to_numpy(float)
    base = setups["underbase_strokes"].astype(float).fillna(1.0).to_numpy() + 1
    return top + based.mean(axis=1) * base


def _lines(
    model: PrintModel,
    setups: pd.DataFrame,
    based: NDArray[np.bool_],
    predicted: Joint,
    target: Array,
    garments: list[str],
    tolerance: float,
) -> pd.DataFrame:
    dE = delta_e00(predicted.mean, target)
    luck = outcome(predicted, target, tolerance)
    top, base = model.films_um(setups.assign(substrate_id=garments[0]))
    names = np.array(garments, object)
    return setups.assign(
        base_on=[tuple(names[row]) for row in based],
        p_all=luck.p_all,
        worst_dE00=dE.max(axis=1),
        worst_garment=names[dE.argmax(axis=1)],
        worst_lo=luck.worst[:, 0],
        worst_hi=luck.worst[:, 1],
        spread_dE00=spread_between(predicted.mean),
        press_steps=press_steps(setups, based),
        film_um=top + base * based.any(axis=1),
    )


def _decided(
    model: PrintModel,
    lines: pd.DataFrame,
    based: NDArray[np.bool_],
    predicted: Joint,
    target: Array,
    garments: list[str],
    tolerance: float,
) -> pd.DataFrame:
    """The lines with verdict, cause, costs, and what of each was never seen on any garment."""
    unseen = together(model.unseen(on_garments(lines, garments, based)), len(garments))
    facts = facts_of(predicted, target, tolerance, unseen)
    decision = decide(facts, model.settings_)
    return lines.assign(
        verdict=decision.verdict,
        cause=decision.cause,
        expected_cost=decision.cost,
        turns_at=decision.turns_at,
        unseen=pd.Series(unseen, dtype=object),
    )


def _with_spread_bands(lines: pd.DataFrame, predicted: Joint) -> pd.DataFrame:
    between = spread_between(draws(predicted))  # (n, draws)
    lo, hi = interval(between, lines["spread_dE00"].to_numpy()).T
    return lines.assign(spread_lo=lo, spread_hi=hi)


def _colours(
    predicted: Joint,
    based: NDArray[np.bool_],
    target: Array,
    garments: list[str],
    tolerance: float,
) -> pd.DataFrame:
    n, g = predicted.mean.shape[:2]
    sd = sd_of(predicted.covariance).reshape(n * g, 3)
    numbers = np.hstack([predicted.mean.reshape(n * g, 3), sd])
    return pd.DataFrame(numbers, columns=[*"Lab", "L_sd", "a_sd", "b_sd"]).assign(
        line=np.repeat(np.arange(n), g),
        substrate_id=garments * n,
        based=based.ravel(),
        dE00=delta_e00(predicted.mean, target).ravel(),
        p=outcome(predicted, target, tolerance).p.ravel(),
    )
