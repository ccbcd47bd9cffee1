"""Every set-up a shop could print a job with: ink x screen x strokes x base, in blocks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.errors import Unusable
from learn.shop import SETUP_COLUMNS

if TYPE_CHECKING:
    from learn.predict.protocol import PrintModel

Array = NDArray[np.floating]

BLOCK = 20_000  # candidates at a time, to bound memory


@dataclass(frozen=True)
class Limits:
    """What a shop can or wants to do. ``None`` stands for everything its tables name.

    Examples
    --------
    >>> Limits(max_strokes=1, underbases=()).patterns()
    [(1, 0)]
    >>> Limits(max_strokes=2).patterns()
    [(1, 0), (2, 0), (2, 1)]
    >>> Limits(inks=("red",), max_flashes=-1)
    Traceback (most recent call last):
    ...
    learn.errors.Unusable: max_flashes is -1: 0 or more is possible
    """

    inks: tuple[str, ...] | None = None  # in stock, to print on top
    meshes: tuple[str, ...] | None = None  # in house, for the top ink
    base_meshes: tuple[str, ...] | None = None  # None: the same as ``meshes``
    presses: tuple[str, ...] | None = None  # None: the press is not known
    underbases: tuple[str, ...] | None = None  # (): none may be used
    bare: bool = True  # whether printing without a base is allowed
    max_strokes: int = 2  # of the top ink, all together
    max_flashes: int = 1  # between strokes of the top ink
    max_base_strokes: int = 2
    max_film_um: float | None = None  # dry film of base and ink together: hand and cure
    fixed: Mapping[str, Any] = field(default_factory=dict)  # other set-up columns, the same for all
    lots: Mapping[str, str] = field(default_factory=dict)  # ink -> the lot that is open

    def __post_init__(self) -> None:
        for name, least in (("max_strokes", 1), ("max_flashes", 0), ("max_base_strokes", 1)):
            if getattr(self, name) < least:
                msg = f"is {getattr(self, name)}: {least} or more is possible"
                raise Unusable(msg, name=name)
        if self.max_film_um is not None and not self.max_film_um > 0:
            msg = f"is {self.max_film_um:g}: it must be above 0"
            raise Unusable(msg, name="max_film_um")
        if not self.bare and self.underbases == ():
            msg = "neither a base nor printing without one is allowed: allow one of the two"
            raise Unusable(msg)

    def patterns(self) -> list[tuple[int, int]]:
        """Strokes of the top ink with the flashes between them, the least work first."""
        return [
            (strokes, flashes)
            for strokes in range(1, self.max_strokes + 1)
            for flashes in range(min(strokes - 1, self.max_flashes) + 1)
        ]


@dataclass(frozen=True)
class Grid:
    """All candidates under some limits, numbered 0 .. ``len`` - 1; none is built until asked."""

    presses: list[str | None]
    inks: list[str]
    meshes: list[str]
    patterns: list[tuple[int, int]]
    bases: list[tuple[str | None, str | None, float]]  # ink, mesh, strokes
    limits: Limits
    strange: NDArray[np.bool_]  # (inks, bases) over which no ink of that type was ever printed

    @classmethod
    def of(cls, model: PrintModel, limits: Limits) -> Grid:
        """The grid over what the model knows.

        Raises
        ------
        Unusable
            when a limit names what the tables do not hold, or nothing is left to print with.
        """
        inks = model.encoder_.inks
        meshes = list(model.encoder_.meshes.index)
        roles = inks["role"] if "role" in inks else pd.Series("colour", index=inks.index)
        colours = list(inks.index[roles != "underbase"])
        bases = list(inks.index[roles == "underbase"])
        tops = _named("ink", limits.inks, list(inks.index), colours)
        through = _named("mesh", limits.meshes, meshes, meshes)
        base_inks = _named("underbase", limits.underbases, list(inks.index), bases, empty=True)
        base_through = _named("mesh", limits.base_meshes, meshes, through)
        laid: list[tuple[str | None, str | None, float]] = [(None, None, np.nan)]
        laid = laid if limits.bare else []
        laid += [
            (ink, mesh, float(strokes))
            for ink in base_inks
            for mesh in base_through
            for strokes in range(1, limits.max_base_strokes + 1)
        ]
        if not laid:
            msg = "every print must have a base, and the shelf holds none: allow printing without"
            raise Unusable(msg)
        presses: list[str | None] = list(limits.presses) if limits.presses else [None]
        strange = np.zeros((len(tops), len(laid)), bool)
        if limits.inks is None or limits.underbases is None:  # what is named is meant
            strange = never_over(model, tops, [ink for ink, *_ in laid])
        if strange.all():
            strange[:] = False
        return cls(presses, tops, through, limits.patterns(), laid, limits, strange)

    @property
    def shape(self) -> tuple[int, ...]:
        """Number of presses, inks, meshes, stroke patterns, bases; the base runs fastest."""
        parts = (self.presses, self.inks, self.meshes, self.patterns, self.bases)
        return tuple(len(part) for part in parts)

    def __len__(self) -> int:
        return int(np.prod(self.shape))

    def setups(self, numbers: NDArray[np.intp]) -> pd.DataFrame:
        """The candidates of these numbers as set-ups, without a garment."""
        press, ink, mesh, pattern, base = np.unravel_index(numbers, self.shape)
        columns: dict[str, Any] = dict.fromkeys(SETUP_COLUMNS)
        columns |= self.limits.fixed
        strokes = np.array(self.patterns, float)
        laid = [np.array(part, object) for part in zip(*self.bases, strict=True)]
        inks = np.array(self.inks, object)
        columns |= {
            "press_id": np.array(self.presses, object)[press],
            "ink_id": inks[ink],
            "ink_lot": np.array([self.limits.lots.get(i) for i in self.inks], object)[ink],
            "mesh_id": np.array(self.meshes, object)[mesh],
            "strokes": strokes[pattern, 0],
            "flash_count": strokes[pattern, 1],
            "underbase_ink_id": laid[0][base],
            "underbase_mesh_id": laid[1][base],
            "underbase_strokes": laid[2][base].astype(float),
        }
        return pd.DataFrame(columns, index=np.asarray(numbers))

    def usual(self, numbers: NDArray[np.intp]) -> NDArray[np.intp]:
        """Those in which no ink lies on a base that no ink of its type was ever printed over."""
        _, ink, _, _, base = np.unravel_index(numbers, self.shape)
        return numbers[~self.strange[ink, base]]

    def blocks(self, size: int = BLOCK) -> Iterator[NDArray[np.intp]]:
        """All numbers, at most ``size`` at a time."""
        for start in range(0, len(self), size):
            yield np.arange(start, min(start + size, len(self)))


def never_over(model: PrintModel, inks: Sequence[str], bases: Sequence[str | None]) -> NDArray:
    """Which inks (n,) are of a type that was never printed over the type of which of the ``bases``
    (m,), None for none: (n, m). How they would take to each other nobody knows."""
    under = list(dict.fromkeys(bases))
    rows = pd.DataFrame(
        [(i, b) for i in inks for b in under], columns=["ink_id", "underbase_ink_id"]
    )
    rows = rows.astype(object).reindex(columns=SETUP_COLUMNS)
    rows = rows.assign(
        substrate_id=model.encoder_.substrates.index[0],
        mesh_id=model.encoder_.meshes.index[0],
        strokes=1.0,
        underbase_strokes=1.0,
        readings=1.0,
    )
    told = [any(one.what == "over" for one in some) for some in model.unseen(rows)]
    over = np.array(told, bool).reshape(len(inks), len(under))
    return over[:, [under.index(b) for b in bases]]


def _named(
    what: str,
    chosen: tuple[str, ...] | None,
    known: list[str],
    otherwise: list[str],
    *,
    empty: bool = False,
) -> list[str]:
    """The ids chosen, in their order and once each; all of ``otherwise`` when none are."""
    found = list(dict.fromkeys(otherwise if chosen is None else chosen))
    lost = [one for one in found if one not in known]
    if lost:
        msg = f"{what} '{lost[0]}' is in none of the shop's tables"
        raise Unusable(msg)
    if not found and not empty:
        msg = f"there is no {what} to print with: name at least one"
        raise Unusable(msg)
    return found
