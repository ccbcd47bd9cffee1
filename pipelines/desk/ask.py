"""*Ask*: how one ink prints on one garment or several, at once, with what could be tried next."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import count
from threading import Lock

import numpy as np
import pandas as pd
from flask import Blueprint, current_app, render_template, request

from learn.colour.colorimetry import srgb_hex
from learn.shop import NEW_LOT, UNDERBASE
from pipelines.desk import slips
from pipelines.desk.asked import (
    FIELDS,
    INK,
    MESH,
    PRESS,
    Asked,
    as_typed,
    picked_of,
    setups_of,
)
from pipelines.desk.choices import Choice, first_of
from pipelines.desk.opened import Desk, Late, Now
from pipelines.desk.words import words
from pipelines.pages.prediction import shown_rows
from pipelines.pages.shares import bars
from pipelines.tasks.base import about_the_base
from pipelines.tasks.cloth import cloth_fills
from pipelines.tasks.left_open import left_open, may_go
from pipelines.tasks.of_today import today
from pipelines.tasks.steps import Step
from pipelines.tasks.usual import said
from pipelines.words import why as why_words
from pipelines.words.common import counted
from pipelines.words.left_open import one_left_open
from pipelines.words.prediction import difference, lab_words
from pipelines.words.verdict import kind, vague
from pipelines.workspace.problems import UserError

place = Blueprint("ask", __name__, url_prefix="/ask")

MOST_LOTS = 8


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
        ink, garments = picked_of(asked, now)
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
        ink, garments, typed = as_typed(asked, now)
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
        presses=now.choices.presses,
        targets=sorted(name for name, _ in now.opened.targets.by_name.values()),
        tolerance=f"{now.opened.catalogue.settings.tolerance_dE00:g}",
        part=request.headers.get("X-Part") == "1",
        ids=count(1),
    )
    return shown if status == 200 else (shown, status)


def _own_lot(asked: Asked, ink: str, now: Now) -> Asked:
    """The same without a lot of another ink, as a form sends it whose ink was changed; what was
    asked about as a whole stays."""
    if asked.whole:
        return asked
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


def _in_turn(asked: Asked, ink: str, garments: list[str], now: Now) -> Answer:
    """The answer, reckoned one at a time: several would only take the processor from each other."""
    with now.once("one answer at a time", Lock):
        return answered(asked, ink, garments, now)


def answered(asked: Asked, ink: str, garments: list[str], now: Now) -> Answer:
    """The answer: a card a garment, each with what is one step from it.

    Raises UserError for what is wrong.
    """
    setups, rows, fills, firsts, steps, notes = setups_of(asked, ink, garments, now)
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
    answer.usual = _usual_words(asked, rows[0], now)
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


def _card(row: dict, garment: Choice | None, cloth: str | None) -> dict:
    row["garment_name"] = garment.name if garment else row["substrate_id"]
    row["cloth"] = cloth
    row["numbers"] = lab_words(row)
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


def _usual_words(asked: Asked, cells: dict[str, str], now: Now) -> dict[str, str]:
    """What each field that is left as usual stands for; nothing where nobody knows."""
    base = now.choices.bases.get(cells.get(UNDERBASE[0], ""))
    screen = now.choices.screens.get(cells.get(MESH, ""))
    press = now.choices.presses.get(cells.get(PRESS, ""))
    told = {
        "base": base.name if base else words().ask.no_base,
        "screen": screen.name if screen else cells.get(MESH, ""),
        "press": press.name if press else "",
        "strokes": cells.get("strokes", ""),
        "flashes": cells.get("flash_count", "0" if cells.get("strokes") == "1" else ""),
    }
    # what would be usual in the place of something that was picked is not asked
    return {field: what for field, what in told.items() if not getattr(asked, field)}
