"""*Ask*: how one ink prints on one garment or several, at once, with what could be tried next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import count
from threading import Lock
from typing import Any, NamedTuple
from urllib.parse import urlencode

import numpy as np
import pandas as pd
from flask import Blueprint, current_app, render_template, request, url_for

from learn.colour.colorimetry import srgb_hex
from learn.process import SETTING_COLUMNS
from learn.shop import NEW_LOT, UNDERBASE
from pipelines.desk import slips
from pipelines.desk.choices import Choice, first_of
from pipelines.desk.opened import Desk, Late, Now
from pipelines.desk.typed import cell_text
from pipelines.desk.words import words
from pipelines.pages.prediction import shown_rows
from pipelines.pages.shares import bars
from pipelines.tables.cells import pointed
from pipelines.tables.schema import SETUPS
from pipelines.tables.targets import Target
from pipelines.tasks.base import about_the_base
from pipelines.tasks.cloth import cloth_fills
from pipelines.tasks.left_open import left_open, may_go
from pipelines.tasks.of_today import today
from pipelines.tasks.setups import checked
from pipelines.tasks.steps import Step, one_step
from pipelines.tasks.usual import Filled, said, without_none
from pipelines.words import why as why_words
from pipelines.words.common import counted
from pipelines.words.left_open import one_left_open
from pipelines.words.prediction import difference
from pipelines.words.verdict import kind, vague
from pipelines.workspace.problems import UserError

place = Blueprint("ask", __name__, url_prefix="/ask")

MOST_GARMENTS, MOST_LOTS = 6, 8
INK, GARMENT, MESH = "ink_id", "substrate_id", "mesh_id"
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
        also=tuple(f"{c}:{text}" for c in PASSED_ON if (text := cell_text(row, c))),
    )


def _pairs(told: dict[str, Any]) -> list[tuple[str, str]]:
    pairs = []
    for name, value in told.items():
        pairs += [(name, one) for one in ((value,) if isinstance(value, str) else value) if one]
    return pairs


@dataclass
class Answer:
    """What is shown of a question."""

    cards: list[dict] = field(default_factory=list)  # a garment each
    filled: str | None = None
    notes: list[str] = field(default_factory=list)
    usual: dict[str, str] = field(default_factory=dict)  # what is filled in, by field
    # those of what was asked about that leave something open, and how they are predicted
    open_: tuple[pd.DataFrame, pd.DataFrame] | None = None


@place.get("/")
def show() -> str | tuple[str, int]:
    """The form, and the answer to what it says."""
    desk: Desk = current_app.extensions["desk"]
    now = desk.now()
    now.opened  # noqa: B018  without a model there is nothing to ask
    asked, wrong, status, answer = Asked.sent(), "", 200, Answer()
    offers: list[tuple[str, str]] = []
    ink, garments, typed = "", list[str](), ""
    spared, marks = Late(None, False, ""), dict[str, list[int]]()
    try:
        ink, garments = _picked(asked, now)
        asked = _own_lot(asked, ink, now)
        if ink and garments:
            at = ("ask", asked, today())
            answer = now.once(at, lambda: _in_turn(asked, ink, garments, now))
            if answer.open_ is not None:
                spared = now.late(("left open", *at), lambda: _spared(answer, now))
    except UserError as error:
        wrong, status = str(error), 400
        called = vars(words().ask.called)
        marks = slips.marks(error, {called[column]: name for column, name in FIELDS.items()})
        ink, garments, typed = _as_typed(asked, now)
        if coming := now.opened.coming:
            wrong += f"\n{words().ask.coming.format(inks=counted(coming, 'new ink'))}"
        offers = [
            (one.name, asked.instead(meant.text, one.text))
            for meant in (error.perhaps if isinstance(error, slips.Slips) else [])
            for one in meant.perhaps
        ]
    choices = now.choices
    shown = render_template(
        "ask.html",
        asked=asked,
        ink=ink,
        garments=garments,
        typed=typed,
        wrong=wrong.splitlines(),
        marks=marks,
        offers=offers,
        answer=answer,
        spared=spared,
        choices=choices,
        ink_chips=first_of(choices.inks, [ink] if ink else []),
        garment_chips=first_of(choices.garments, garments),
        lots=_lots(asked, ink, now),
        targets=sorted(name for name, _ in now.opened.targets.by_name.values()),
        tolerance=f"{now.opened.catalogue.settings.tolerance_dE00:g}",
        part=request.headers.get("X-Part") == "1",
        ids=count(1),
    )
    return shown if status == 200 else (shown, status)


def _own_lot(asked: Asked, ink: str, now: Now) -> Asked:
    """The same without a lot of another ink, as a form sends it whose ink was changed."""
    prints = now.usual.shop.prints

    def foreign(one: str) -> bool:
        column, _, lot = one.partition(":")
        inks = prints.loc[prints["ink_lot"] == lot, INK] if column == "ink_lot" else prints[:0][INK]
        return len(inks) > 0 and ink not in set(inks)

    return replace(asked, also=tuple(one for one in asked.also if not foreign(one)))


def _lots(asked: Asked, ink: str, now: Now) -> list[str]:
    """Lots of the ink, the latest first, which is meant where none is named; and the one asked
    about, if it is another."""
    prints = now.usual.shop.prints
    own = prints.loc[prints[INK] == ink].sort_values("printed_on", kind="stable")["ink_lot"]
    last = now.opened.catalogue.lots.get(ink)
    told = [one.partition(":")[2] for one in asked.also if one.startswith("ink_lot:")]
    lots = [last] if last else []
    lots += own.dropna().iloc[::-1].astype(str).drop_duplicates().tolist()[:MOST_LOTS]
    return list(dict.fromkeys(lots + [one for one in told if last and one != NEW_LOT]))


def _picked(asked: Asked, now: Now) -> tuple[str, list[str]]:
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
                _setups(asked, any_ink[0], cloths, now)
        wrong.tell()
    return "".join(inks), garments


def _as_typed(asked: Asked, now: Now) -> tuple[str, list[str], str]:
    """The ink and the garments that are known, and a garment that was typed and is not."""
    known = now.opened.known
    inks, _ = slips.known_of("", [asked.ink] if asked.ink else [], INK, known, now)
    garments, typed = slips.known_of("", asked.garments, GARMENT, known, now)
    return "".join(inks), garments, typed


def _in_turn(asked: Asked, ink: str, garments: list[str], now: Now) -> Answer:
    """The answer, reckoned one at a time: several would only take the processor from each other."""
    with now.once("one answer at a time", Lock):
        return answered(asked, ink, garments, now)


class Setups(NamedTuple):
    """What a form asks about: a set-up a garment, each followed by what is one step from it."""

    checked: pd.DataFrame
    rows: list[dict[str, str]]
    fills: list[Filled]
    firsts: list[int]  # of each garment, where it stands among the rows, and its steps
    steps: list[dict[Step, int]]
    notes: list[str]


def _setups(asked: Asked, ink: str, garments: list[str], now: Now) -> Setups:
    """The set-ups that are meant, checked; raises slips.Slips for all that is wrong."""
    wrong, called, aim = slips.Gathering(), vars(words().ask.called), None
    with wrong:
        aim = _aim(asked, now)
    named: dict[str, str] = {}
    for column, text in ((UNDERBASE[0], asked.base), (MESH, asked.screen)):
        bare = column == UNDERBASE[0] and text == "none"
        with wrong:
            if text and not bare:
                text = slips.picked(called[column], text, column, now.opened.known, now)
            named |= {column: text} if text else {}
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


def answered(asked: Asked, ink: str, garments: list[str], now: Now) -> Answer:
    """The answer: a card a garment, each with what is one step from it.

    Raises UserError for what is wrong.
    """
    setups, rows, fills, firsts, steps, notes = _setups(asked, ink, garments, now)
    predicted = now.opened.predict(setups)
    described = now.opened.catalogue.describe(setups)
    told = described.to_dict("records")
    whole = [*firsts, *(at for own in steps for s, at in own.items() if s.value in asked.beside)]
    drawn = dict(
        zip(
            whole,
            shown_rows(predicted.iloc[whole], described.iloc[whole], now.opened.catalogue.settings),
            strict=True,
        )
    )
    small = _small(predicted, now)
    cloths = cloth_fills(now.opened, garments)
    answer = Answer(filled=said(fills), notes=[*now.usual.faults, *now.opened.notes])
    answer.notes += [note for note in notes if not note.startswith("read ")]
    for garment, first, own in zip(garments, firsts, steps, strict=True):
        card = _card(drawn[first], now.choices.garments.get(garment), cloths.get(garment))
        card["steps"] = [
            _step(step, told[at], small[at], drawn.get(at), asked, now) for step, at in own.items()
        ]
        if asked.why:
            card["why_moves"] = _why(setups.iloc[[first]], told[first] | drawn[first], now)
        answer.cards.append(card)
    answer.usual = _usual_words(rows[0], now)
    asked_about = setups.iloc[firsts], predicted.iloc[firsts]
    if not may_go(now.opened, *asked_about)[0].empty:
        answer.open_ = asked_about
    return answer


def _spared(answer: Answer, now: Now) -> dict[str, str]:
    """What would do instead of a test print, of each set-up that something would."""
    assert answer.open_ is not None
    things = now.opened.catalogue.things()
    found = left_open(now.opened, lambda: now.usual, *answer.open_)
    return {one.setup_id: one_left_open(one, things) for one in found}


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
    full |= pointed(SETUPS, typed)
    strokes = full.get("strokes", "")
    if "flash_count" not in typed and strokes.isdigit():
        usual = full.get("flash_count", "0")
        most = max(int(strokes) - 1, 0)
        full["flash_count"] = str(min(int(float(usual)), most)) if usual else ""
    full = {c: v for c, v in without_none(full).items() if v != ""}
    left = [f._replace(columns=tuple(c for c in f.columns if c not in typed)) for f in fills]
    return full, [f for f in left if f.columns]


def _card(row: dict, garment: Choice | None, cloth: str | None) -> dict:
    row["garment_name"] = garment.name if garment else row["substrate_id"]
    row["cloth"] = cloth
    return row


def _small(predicted: pd.DataFrame, now: Now) -> list[dict]:
    """What a step shows of a print before it is shown in full: colour, verdict, how far off."""
    rows = predicted.to_dict("records")
    lab = [[row[channel] for channel in "Lab"] for row in rows]
    fills = srgb_hex(np.array(lab, float), now.opened.model.viewing_)
    return [
        {
            "fill": str(fill),
            "kind": kind(row),
            "off": difference(row, "shift" if pd.isna(row["target_dE00"]) else "target"),
        }
        for fill, row in zip(fills, rows, strict=True)
    ]


def _step(step: Step, setup: dict, small: dict, row: dict | None, asked: Asked, now: Now) -> dict:
    """What one step would bring, and the address that shows it in full or takes it away."""
    put = step.value in asked.beside
    beside = [one for one in asked.beside if one != step.value] + ([] if put else [step.value])
    told = getattr(words().ask, step.value)
    base = _word(now.choices.bases, setup, UNDERBASE[0])
    screen = _word(now.choices.screens, setup, MESH)
    return {
        "step": step.value,
        "words": told.format(base=base, mesh=screen),
        "small": small,
        "row": row,
        "shown": put,
        "href": asked.address(beside=tuple(beside)),
    }


def _word(choices: dict[str, Choice], setup: dict, column: str) -> str:
    """What is picked in a column, by name."""
    one = setup[column]
    return choices[one].name if one in choices else str(one or "")


def _why(setup: pd.DataFrame, described: dict, now: Now) -> dict:
    """What moves the print of one set-up away from its bucket."""
    from learn.predict.shares import from_bucket

    shares = from_bucket(now.opened.model, setup)
    rows = why_words.rows_of(shares, described)
    if vague(described):
        told = [why_words.unknown()]
    else:
        told = [why_words.sentence(shares, rows, "the bucket")]
        told += about_the_base(now.opened, setup, shares, lambda: now.usual)
        if not now.opened.model.bucket_measured(str(setup["ink_id"].iloc[0])):
            told.append(why_words.reckoned_bucket())
    return {"said": told, "bars": bars(rows, shares.total_dE00), "film": why_words.FILM}


def _usual_words(cells: dict[str, str], now: Now) -> dict[str, str]:
    """What a field that is left as usual stands for."""
    base = now.choices.bases.get(cells.get(UNDERBASE[0], ""))
    screen = now.choices.screens.get(cells.get(MESH, ""))
    return {
        "base": base.name if base else words().ask.no_base,
        "screen": screen.name if screen else cells.get(MESH, ""),
        "strokes": cells.get("strokes", ""),
        "flashes": cells.get("flash_count", "0"),
    }
