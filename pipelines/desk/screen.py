"""The screen check: greys and a chip that is known, so that swatches are believed no further."""

from __future__ import annotations

from flask import Blueprint, current_app, render_template, request

from learn.colour.colorimetry import in_srgb_gamut, srgb_hex, viewing
from pipelines.desk import slips
from pipelines.desk.batch import targets_now
from pipelines.desk.opened import Desk
from pipelines.desk.words import words
from pipelines.words.common import JUST_dE00, SAME_dE00
from pipelines.workspace.problems import UserError

place = Blueprint("screen", __name__, url_prefix="/screen")

GREYS = range(5, 100, 10)  # L*
CHIP = "52,48,20"


@place.get("/")
def show() -> str | tuple[str, int]:
    """The greys, and the chip whose Lab is given."""
    desk: Desk = current_app.extensions["desk"]
    now = desk.now()
    settings = now.usual.shop.settings
    view = viewing(settings.illuminant, settings.observer)
    text, wrong = request.args.get("lab", "").strip() or CHIP, ""
    marks: dict[str, list[int]] = {}
    targets = targets_now(now)
    try:
        target = slips.aim(words().screen.called, text, targets)
    except UserError as error:
        wrong, target = str(error), targets.read(CHIP)
        marks = slips.marks(error, {words().screen.called: "lab"})
    shown = render_template(
        "screen.html",
        wrong=wrong.splitlines(),
        marks=marks,
        greys=[(f"{L}", str(srgb_hex([L, 0, 0], view))) for L in GREYS],
        lab=text,
        fill=str(srgb_hex(target.lab, view)),
        vivid=not in_srgb_gamut(target.lab, view),
        settings=settings,
        same=f"{SAME_dE00:g}",
        just=f"{JUST_dE00:g}",
    )
    return (shown, 400) if wrong else shown
