"""A batch of measured prints as a page, kept or not: the answer to all of it, a card a print."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Any

from flask import current_app, render_template, request

from learn.colour.colorimetry import viewing
from learn.shop import Shop
from pipelines.desk import slips
from pipelines.desk.answers import refused
from pipelines.desk.opened import Now
from pipelines.desk.typed import columns_called
from pipelines.desk.words import words
from pipelines.ledger.aims import Aims
from pipelines.ledger.state import State
from pipelines.tables.folder import known_in, targets_of
from pipelines.tables.settings import read_settings
from pipelines.tables.targets import Target, Targets
from pipelines.tasks.arrived import PRESSING, Arrived, Fix, Outcome, arrived, rows_of
from pipelines.tasks.cloth import cloth_fills
from pipelines.words.prediction import setup_words
from pipelines.workspace.problems import Findings, Kind, UserError

MOST_SHOWN = 60  # prints on a page, the most pressing first


def shown(
    now: Now,
    there: tuple[State, Shop] | None,
    at: int,
    told: Aims,
    wrong: UserError | None,
    **values: Any,
) -> str | tuple[str, int]:
    """The page of batch ``at``, kept or not; ``there``: the shop with it, None if nothing is
    of it; ``told``: the targets of its prints."""
    status = refused(wrong).status
    prints: list[Arrived] = []
    state = now.state
    if there is not None:
        state, shop = there
        model = now.model.learnt if now.model else None
        ids = state.given.tables["prints"]["print_id"].str.strip()
        rows = rows_of(state, at)
        aims = {}
        for print_id in ids.loc[rows]:
            try:
                aim = aim_of(*told.get(print_id, ("", "")), now)
            except UserError as error:
                wrong, aim = wrong or error, None
            if aim is not None:
                aims[print_id] = aim
        prints = arrived(state, shop, rows, model, aims)
    first = sorted(prints, key=lambda one: PRESSING.index(one.outcome))[:MOST_SHOWN]
    page = render_template(
        "measured_batch.html",
        prints=cards(first, now, state),
        more=len(prints) - len(first),
        big=_big(prints),
        wrong=refused(wrong),
        learn="progress.show" if "progress" in current_app.blueprints else None,
        choices=now.choices if now.model else None,
        redo=request.form,
        **({"number": None, "inside": None} | values),
    )
    return page if status == 200 else (page, status)


def cards(prints: list[Arrived], now: Now, state: State) -> list[dict]:
    """What the card of each print shows; ``state`` has the inks."""
    cloths = {}
    if now.model:
        cloths = cloth_fills(now.opened, [str(one.setup["substrate_id"]) for one in prints])
    names = known_in(state.given.tables)["inks"].label
    return [_card(one, cloths, names) for one in prints]


def _big(prints: list[Arrived]) -> dict | None:
    """The answer to a whole batch, to be read from two metres away."""
    counts = Counter(one.outcome for one in prints)
    counts.pop(Outcome.ASIDE, None)
    if not counts:
        return None
    worst = min(counts, key=PRESSING.index)
    k, n = counts[worst], counts.total()
    said = getattr(words().measured.big, worst.value)
    how = said.one if n == 1 else said.all if k == n else said.some
    return {"outcome": worst.value, "words": how.format(k=k, n=n)}


def _card(one: Arrived, cloths: Mapping[str, str], label: Callable[[str], str]) -> dict:
    setup = setup_words(one.setup)
    return {
        "print": one,
        "outcome": one.outcome.value,
        "words": getattr(words().measured.big, one.outcome.value).one,
        "setup": setup,
        "ink": setup[0][1],
        "garment": setup[1][1],
        "cloth": cloths.get(str(one.setup["substrate_id"])),
        "fixes": [_fix_words(fix, label) for fix in one.fixes],
        "reason": plain_reason(one.stands.why or ""),
    }


def plain_reason(why: str) -> str:
    """Why a print is set aside, with columns by what the page calls them."""
    called = columns_called()
    return re.sub(r"(?<![^ ])(\w+): ", lambda found: f"{called.get(found[1], found[1])}: ", why)


def _fix_words(fix: Fix, label: Callable[[str], str]) -> str:
    told = words().measured.fix
    if fix.kind == "base" and not fix.name:
        return told.no_base
    name = label(fix.name) if fix.kind in ("ink", "base") else fix.name
    return getattr(told, fix.kind).format(name=name)


def aim_of(text: str, tolerance: str, now: Now) -> Target | None:
    """A target that was typed, with its tolerance."""
    told, wrong = words().measured, slips.Gathering()
    aim, within = None, 0.0
    with wrong:
        aim = slips.aim(told.target, text, targets_now(now)) if text else None
    with suppress(ValueError):
        within = float(tolerance.replace(",", "."))
    if tolerance and not 0.05 <= within <= 50:  # as the tables take it
        said = told.bad_tolerance.format(text=tolerance)
        with wrong:
            raise slips.Slip(said, Kind.OUT_OF_RANGE, told.tolerance)
    wrong.tell()
    return aim if aim is None or not tolerance else aim._replace(tolerance_dE00=within)


def targets_now(now: Now) -> Targets:
    settings = read_settings(now.given.shop_toml, now.given.name, Findings())
    view = viewing(settings.illuminant, settings.observer)
    return Targets(view, lambda: targets_of(now.given)[0])
