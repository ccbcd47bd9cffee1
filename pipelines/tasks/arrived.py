"""Prints beside what the model expects of them and the target they were meant for, and what could
be wrong with those that are doubtful, as the corrections it would take."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00, srgb_hex, viewing
from learn.normal import Z90, distance_at, sd_of
from learn.shop import UNDERBASE, Shop
from pipelines.ledger.state import Standing, State
from pipelines.tables.bases import usual_bases
from pipelines.tables.folder import check_added
from pipelines.tables.spectra import SPECTRUM
from pipelines.tables.targets import Target

if TYPE_CHECKING:
    from learn.monitoring.inspection import Arrival, Slip
    from learn.predict.model import ShiftModel

BAND = distance_at(0.1)  # squared distance that nine of ten right prints stay under
LAB = ("L", "a", "b")


class Outcome(StrEnum):
    """What is said of a print, the most pressing first."""

    FAULT = "fault"  # cannot be right
    DOUBT = "doubt"  # far from expected, and nobody has decided
    FAIL = "fail"  # beyond the tolerance of its target
    OUTSIDE = "outside"  # no target; not within the band of nine in ten
    ASIDE = "aside"  # somebody has set it aside
    PASS = "pass"
    INSIDE = "inside"  # no target; as expected
    UNKNOWN = "unknown"  # no target, and nothing to expect


PRESSING = list(Outcome)


@dataclass(frozen=True)
class Fix:
    """One thing that may have gone wrong: ``kind`` and ``name`` as
    `learn.monitoring.inspection.Slip` has them, and the cells that would be right then."""

    kind: str
    name: str
    changes: dict[str, dict[str, str]]  # print -> column -> text


@dataclass(frozen=True)
class Arrived:
    """One print; what is not known is None.

    ``lab``, ``expected`` and ``half`` (of the 90 % band) are (3,); ``fills``: both as a screen
    shows them; ``dE00``: measured to expected; ``off_dE00``: measured to target.
    """

    print_id: str
    setup: dict[str, Any]
    stands: Standing
    lab: np.ndarray | None
    expected: np.ndarray | None
    half: np.ndarray | None
    dE00: float | None
    inside: bool | None
    target: Target | None
    off_dE00: float | None
    tolerance: float
    fills: dict[str, str]
    fixes: tuple[Fix, ...]

    @property
    def each_inside(self) -> bool:
        """Whether L, a and b each lie in their own band, whatever they do together."""
        if self.lab is None or self.expected is None or self.half is None:
            return False
        return bool((abs(self.lab - self.expected) <= self.half).all())

    @property
    def outcome(self) -> Outcome:
        """What is said of it: a doubt goes before its target, for it may be another print."""
        if self.lab is None or (self.stands.why is not None and self.stands.decision is None):
            return Outcome.FAULT
        if self.stands.why is not None:
            return Outcome.DOUBT if self.stands.waits else Outcome.ASIDE
        if self.off_dE00 is not None:
            return Outcome.PASS if self.off_dE00 <= self.tolerance else Outcome.FAIL
        if self.inside is None:
            return Outcome.UNKNOWN
        return Outcome.INSIDE if self.inside else Outcome.OUTSIDE


def rows_of(state: State, batch: int) -> list[int]:
    """The rows of the prints that came with ``batch``."""
    return [row for row, stands in state.standing.items() if stands.batch == batch]


def arrived(
    state: State,
    shop: Shop,
    rows: list[int],
    model: ShiftModel | None,
    aims: Mapping[str, Target],
) -> list[Arrived]:
    """The prints of some ``rows``, in their order; ``shop``: the tables of ``state``, typed;
    ``aims``: print -> target. Mix-ups are looked for among them."""
    if not rows:
        return []
    from learn.physics.drawdowns import lab_columns
    from pipelines.registry.catalogue import Catalogue

    given = state.given
    cells = given.tables["prints"].loc[rows]
    prints = check_added(given, cells)[0].set_axis(cells.index)
    settings = shop.settings
    described = Catalogue.of(shop).describe(prints).to_dict("records")
    view = viewing(settings.illuminant, settings.observer)
    lab = lab_columns(prints, view)
    readable = [
        np.isfinite(lab[i]).all() and (state.standing[row].why is None or
                                       state.standing[row].decision is not None)
        for i, row in enumerate(rows)
    ]  # fmt: skip
    at = np.flatnonzero(readable)
    half, found = np.full((len(rows), 3), np.nan), None
    if model is not None and len(at):
        told = model.told_of(shop) if len(model.encoder_.unknown(prints.iloc[at])) else model
        found = _inspected(told, prints.iloc[at], lab[at], given.tables["prints"])
        known = np.flatnonzero(np.isfinite(found.expected).all(axis=1))
        if len(known):
            covariance = told.predict_lab(prints.iloc[at[known]].reset_index(drop=True)).covariance
            half[at[known]] = Z90 * sd_of(covariance)
    seen = {int(i): k for k, i in enumerate(at)}
    out = []
    for i, row in enumerate(rows):
        print_id = cells.loc[row, "print_id"].strip()
        k = seen.get(i)
        expected = dE00 = inside = None
        slip = None
        if found is not None and k is not None and np.isfinite(found.expected[k]).all():
            expected, dE00 = found.expected[k], float(found.dE00[k])
            inside = bool(found.distance[k] ** 2 <= BAND)
            slip = found.slips[k]
        own = lab[i] if np.isfinite(lab[i]).all() else None
        aim = aims.get(print_id)
        colours = {
            "measured": own,
            "expected": expected,
            "target": None if aim is None else aim.lab,
        }
        tolerance = aim.tolerance_dE00 if aim is not None else None
        out.append(
            Arrived(
                print_id,
                described[i],
                state.standing[row],
                own,
                expected,
                None if expected is None else half[i],
                dE00,
                inside,
                aim,
                None if aim is None or own is None else float(delta_e00(own, aim.lab)),
                settings.tolerance_dE00 if tolerance is None else tolerance,
                {n: str(srgb_hex(c, view)) for n, c in colours.items() if c is not None},
                () if slip is None else _fixes(slip, print_id, cells, given.tables["prints"]),
            )
        )
    return out


def _inspected(
    model: ShiftModel, prints: pd.DataFrame, lab: np.ndarray, history: pd.DataFrame
) -> Arrival:
    from learn.monitoring.inspection import inspect_arrivals

    by_hand = prints[SPECTRUM].isna().any(axis=1).to_numpy()
    return inspect_arrivals(model, prints, lab, typed=by_hand, bases=usual_bases(history))


def _fixes(
    slip: Slip, print_id: str, cells: pd.DataFrame, history: pd.DataFrame
) -> tuple[Fix, ...]:
    """The corrections that each candidate of a slip would take; the batch, and all the
    shop's prints, as text."""
    own = cells.loc[cells["print_id"].str.strip() == print_id].iloc[0]
    fixes = []
    for name in slip.names:
        if slip.kind == "ink":
            changes = {print_id: {"ink_id": name, "ink_lot": ""}}  # a lot belongs to its ink
        elif slip.kind == "base":
            changes = {print_id: _base(name, history)}
        elif slip.kind == "print":
            changes = _exchanged(print_id, name, cells)
        else:
            changes = {print_id: _typed_right(name, own)}
        fixes.append(Fix(slip.kind, name, changes))
    return tuple(fixes)


def _base(name: str, history: pd.DataFrame) -> dict[str, str]:
    """The cells of a base that was left out of the row, or of none."""
    if not name:
        return dict.fromkeys(UNDERBASE, "")
    bases = usual_bases(history)
    own = bases[bases["underbase_ink_id"] == name]
    if own.empty:
        return {UNDERBASE[0]: name}
    ink, mesh, strokes = own.iloc[0][UNDERBASE]
    told = {UNDERBASE[0]: ink, UNDERBASE[1]: mesh}
    return told | {UNDERBASE[2]: "" if pd.isna(strokes) else f"{strokes:g}"}


def _typed_right(name: str, own: pd.Series) -> dict[str, str]:
    """L, a, b as they were meant."""
    from learn.monitoring.inspection import TYPED

    order, sign = TYPED[name]
    values = [
        float(own[LAB[i]].strip().replace("\N{MINUS SIGN}", "-").replace(",", ".")) for i in order
    ]
    return {c: f"{v * s:g}" for c, v, s in zip(LAB, values, sign, strict=True)}


def _exchanged(one: str, other: str, cells: pd.DataFrame) -> dict[str, dict[str, str]]:
    """The colours of two prints, each in the place of the other."""
    colour = [c for c in cells if c in LAB or c in SPECTRUM]
    by_id = cells.set_index(cells["print_id"].str.strip())[colour]
    return {one: by_id.loc[other].to_dict(), other: by_id.loc[one].to_dict()}
