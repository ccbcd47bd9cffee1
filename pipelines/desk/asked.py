"""What the form of *Ask* says, and the set-ups that are meant by it; all that is wrong at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple
from urllib.parse import urlencode

import pandas as pd
from flask import request, url_for

from learn.process import SETTING_COLUMNS
from learn.shop import UNDERBASE
from pipelines.desk import slips
from pipelines.desk.opened import Now
from pipelines.desk.typed import cell_text
from pipelines.desk.words import words
from pipelines.tables.own_columns import pointed
from pipelines.tables.schema import SETUPS
from pipelines.tables.targets import Target
from pipelines.tasks.of_today import NONE
from pipelines.tasks.setups import checked
from pipelines.tasks.steps import Step, one_step
from pipelines.tasks.usual import Filled, with_strokes, without_none

MOST_GARMENTS = 6
INK, GARMENT, MESH, PRESS = "ink_id", "substrate_id", "mesh_id", "press_id"
# Columns of a set-up that a file may give and the form has no field for.
PASSED_ON = (
    *("printed_on", "press_id", "ink_lot", "underbase_mesh_id", "underbase_strokes"),
    *SETTING_COLUMNS,
)
FIELDS = {  # of the form, by the columns of a set-up
    INK: "ink",
    GARMENT: "garment",
    MESH: "screen",
    "strokes": "strokes",
    "flash_count": "flashes",
    "tolerance_dE00": "tolerance",
    "target": "target",
}
TYPED = {"strokes": "strokes", "flashes": "flash_count", "tolerance": "tolerance_dE00"}


@dataclass(frozen=True)
class Asked:
    """What the form says, as it was sent."""

    ink: str = ""
    garments: tuple[str, ...] = ()
    base: str = ""  # empty: as usual
    screen: str = ""
    strokes: str = ""
    flashes: str = ""
    target: str = ""
    tolerance: str = ""
    beside: tuple[str, ...] = ()  # steps shown in full
    why: str = ""
    whole: str = ""  # nothing is filled in: the set-up stands so in a file
    also: tuple[str, ...] = ()  # what else stands there, as column:value

    @classmethod
    def sent(cls) -> Asked:
        """From the address of the request; of an ink given twice, by a tap and typed, the last."""
        given = request.args

        def texts(name: str) -> list[str]:
            return [text.strip() for text in given.getlist(name) if text.strip()]

        single = {n: given.get(n, "").strip() for n in ("base", "screen", "target", "why", "whole")}
        single |= {name: given.get(name, "").strip() for name in TYPED}
        return cls(
            ink=(texts("ink") or [""])[-1],
            garments=tuple(dict.fromkeys(texts("garment")))[:MOST_GARMENTS],
            beside=tuple(dict.fromkeys(texts("beside"))),
            also=tuple(t for t in texts("also") if t.split(":")[0] in PASSED_ON),
            **single,
        )

    @property
    def press(self) -> str:
        """The press that is named, if one is."""
        told = (one.partition(":") for one in self.also)
        return next((text for column, _, text in told if column == PRESS), "")

    def address(self, **changed: Any) -> str:
        """The address of this question, with something ``changed``."""
        told: dict[str, Any] = {
            "ink": self.ink,
            "garment": self.garments,
            "base": self.base,
            "screen": self.screen,
            **{name: getattr(self, name) for name in TYPED},
            "target": self.target,
            "beside": self.beside,
            "why": self.why,
            "whole": self.whole,
            "also": self.also,
        }
        told |= changed
        return f"{url_for('ask.show')}?{urlencode([*_pairs(told)])}"

    def instead(self, text: str, name: str) -> str:
        """The address of this question with ``name`` in the place of what was typed."""
        garments = [name if one == text else one for one in self.garments]
        told = {f: name for f in ("ink", "base", "screen") if getattr(self, f) == text}
        return self.address(garment=garments, **told)


def as_it_stands(
    row: Mapping[str, Any], garments: tuple[str, ...], target: str, tolerance: str
) -> Asked:
    """The question about all of a set-up on ``garments``, with nothing as usual."""
    return Asked(
        ink=row[INK],
        garments=garments,
        base=cell_text(row, UNDERBASE[0]) or "none",
        screen=cell_text(row, MESH),
        strokes=cell_text(row, "strokes"),
        flashes=cell_text(row, "flash_count"),
        target=target,
        tolerance=tolerance,
        whole="1",
        also=tuple(f"{c}:{text}" for c in PASSED_ON if (text := _stands(row, c))),
    )


def _stands(row: Mapping[str, Any], column: str) -> str:
    """A cell as it stands: of a day or a lot that is none in particular, that it is none."""
    return cell_text(row, column) or (NONE if column in ("printed_on", "ink_lot") else "")


def _pairs(told: dict[str, Any]) -> list[tuple[str, str]]:
    pairs = []
    for name, value in told.items():
        pairs += [(name, one) for one in ((value,) if isinstance(value, str) else value) if one]
    return pairs


def picked_of(asked: Asked, now: Now) -> tuple[str, list[str]]:
    """Identifiers of the ink and the garments that are named; raises slips.Slips for those that are
    not known or fit several, and whatever else is wrong beside them."""
    called, wrong = words().ask.called, slips.Gathering()
    inks, garments = list[str](), list[str]()
    known = now.opened.known
    with wrong:
        inks = slips.all_picked(called.ink_id, [asked.ink] * bool(asked.ink), INK, known, now)
    with wrong:
        garments = slips.all_picked(called.substrate_id, asked.garments, GARMENT, known, now)
    if wrong.found:  # the others are looked at with any ink and garment in their place
        any_ink = (inks or [*now.choices.inks])[:1]
        cloths = garments or [*now.choices.garments][:1]
        if any_ink and cloths:
            with wrong:
                setups_of(asked, any_ink[0], cloths, now)
        wrong.tell()
    return "".join(inks), garments


def as_typed(asked: Asked, now: Now) -> tuple[str, list[str], str]:
    """The ink and the garments that are known, and a garment that was typed and is not."""
    known = now.opened.known
    inks, _ = slips.known_of("", [asked.ink] if asked.ink else [], INK, known, now)
    garments, typed = slips.known_of("", asked.garments, GARMENT, known, now)
    return "".join(inks), garments, typed


class Setups(NamedTuple):
    """What a form asks about: a set-up a garment, each followed by what is one step from it."""

    checked: pd.DataFrame
    rows: list[dict[str, str]]
    fills: list[Filled]
    firsts: list[int]  # of each garment, where it stands among the rows, and its steps
    steps: list[dict[Step, int]]
    notes: list[str]


def setups_of(asked: Asked, ink: str, garments: list[str], now: Now) -> Setups:
    """The set-ups that are meant, checked; raises slips.Slips for all that is wrong."""
    wrong, called, aim = slips.Gathering(), vars(words().ask.called), None
    with wrong:
        aim = _aim(asked, now)
    named: dict[str, str] = {}
    before = len(wrong.found)
    named |= {PRESS: asked.press} if asked.press and not asked.whole else {}
    for column, text in ((UNDERBASE[0], asked.base), (MESH, asked.screen)):
        bare = column == UNDERBASE[0] and text == "none"
        with wrong:
            if text and not bare:
                text = slips.picked(called[column], text, column, now.opened.known, now)
            named |= {column: text} if text else {}
    if asked.whole and len(wrong.found) > before:  # nothing fills the gap, which is no mistake
        wrong.tell()
    rows: list[dict[str, str]] = []
    fills: list[Filled] = []
    firsts: list[int] = []
    steps: list[dict[Step, int]] = []
    for garment in garments:
        cells, filled = _whole(asked, {INK: ink, GARMENT: garment, **named}, now)
        fills += filled
        firsts.append(at := len(rows))
        beside = one_step(cells, now.usual, now.once)
        rows += [cells, *beside.values()]
        steps.append({step: at + 1 + i for i, step in enumerate(beside)})
    found, notes = pd.DataFrame(), list[str]()
    with wrong:
        found, notes = checked(
            rows,
            aim,
            now.opened,
            {**called, **dict.fromkeys(("target_L", "target_a", "target_b", ""), called["target"])},
            else_called=called["else_called"],
            left_out=(called["missing"], called["do"]),
        )
    wrong.tell()
    return Setups(found, rows, fills, firsts, steps, notes)


def _aim(asked: Asked, now: Now) -> Target | None:
    """The target that is meant."""
    if not asked.target:
        return None
    return slips.aim(words().ask.target, asked.target, now.opened.targets)


def _whole(asked: Asked, cells: dict[str, str], now: Now) -> tuple[dict[str, str], list[Filled]]:
    """The set-up by identifiers: what the form names, and says besides, the rest as the shop
    usually prints."""
    if asked.whole:
        full, fills = without_none(cells), list[Filled]()
    else:
        key = ("usual", *sorted(cells.items()))
        full, fills = now.once(key, lambda: now.usual.completed(cells))
        full = dict(full)
    full |= {column: text for column, _, text in (one.partition(":") for one in asked.also)}
    typed = {TYPED[name]: getattr(asked, name) for name in TYPED if getattr(asked, name)}
    told = pointed(SETUPS, typed)
    full = with_strokes(full, told.get("strokes", full.get("strokes"))) | told
    full = {c: v for c, v in without_none(full).items() if v != ""}
    left = [f._replace(columns=tuple(c for c in f.columns if c not in typed)) for f in fills]
    return full, [f for f in left if f.columns]
