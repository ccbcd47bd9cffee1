"""After the test print of a mix: what to add to the bucket, from how it measured."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import request

from learn.errors import Unusable
from pipelines.desk.opened import Now
from pipelines.desk.typed import fields_read, lab_lines
from pipelines.desk.words import words
from pipelines.tables.targets import Target
from pipelines.tasks.finding import topped_up
from pipelines.tasks.of_today import NOWHERE, searched
from pipelines.words.plan import mixing_caution, top_up_sentences
from pipelines.workspace.problems import UserError

MOST_KG = 1000.0


def asked(garments: list[str]) -> dict[str, Any]:
    """What the form says: the mix, what is in the bucket, how it measured on each garment."""
    given = request.args
    return {
        "have": [one for one in given.getlist("have") if one.strip()],
        "kg": given.get("kg", "").strip(),
        "measured": {one: given.get(f"measured-{one}", "").strip() for one in garments},
    }


def told(
    form: Mapping[str, Any],
    aim: Target,
    garments: list[str],
    setup: Mapping[str, Any],
    names: Mapping[str, str | None],
    now: Now,
) -> list[str]:
    """What to add, in sentences; raises UserError for what is wrong or cannot be worked out."""
    from learn.mixing.recipes import Weighing

    opened = now.opened
    tolerance = aim.tolerance_dE00 or opened.catalogue.settings.tolerance_dE00
    have = _mix(form["have"], now)
    kg = _kilograms(form["kg"])
    readings = {one: _lab(text) for one, text in form["measured"].items() if text}
    if not readings:
        raise UserError(words().find.add_nothing)
    try:
        found, notes = topped_up(
            opened,
            now.usual.shop,
            aim,
            garments,
            tolerance,
            setup,
            searched(opened, "", {}, None, NOWHERE),
            Weighing(bucket_kg=kg),
            have,
            readings,
        )
    except Unusable as error:
        raise UserError(f"{str(error)[:1].upper()}{str(error)[1:]}.") from None
    said = top_up_sentences(found, names, kg, tolerance)
    types = opened.model.encoder_.inks["ink_type"]
    return [*said, mixing_caution(types, [list(found.percent)]), *notes]


def _mix(texts: list[str], now: Now) -> dict[str, float]:
    """Ink -> percent by weight, as a line of *Find* has written it into the form."""
    found = {}
    for text in texts:
        ink, _, percent = text.rpartition(":")
        try:
            found[ink] = float(percent)
        except ValueError:
            ink = ""
        if ink not in now.opened.known["inks"]:
            raise UserError(words().trouble.foreign)
    return found


def _kilograms(text: str) -> float:
    try:
        found = float(text.replace(",", ".") or 1)
    except ValueError:
        found = 0.0
    if not 0 < found <= MOST_KG:
        raise UserError(words().find.add_bad_kg.format(text=text))
    return found


def _lab(text: str) -> list[float]:
    found = lab_lines(text)
    if len(found) != 1:
        raise UserError(words().measured.no_lab.format(text=text))
    told = dict(zip("Lab", found[0], strict=True))
    return [
        float(v) for v in fields_read(told, dict.fromkeys("Lab", words().measured.lab)).values()
    ]
