"""The screen check: greys and a chip that is known, so that swatches are believed no further."""

from __future__ import annotations

from flask import Blueprint, current_app, render_template, request

from learn.colour.colorimetry import in_srgb_gamut, srgb_hex, viewing
from pipelines.desk.opened import Desk
from pipelines.desk.words import words
from pipelines.tables.targets import written
from pipelines.words.common import JUST_dE00, SAME_dE00
from pipelines.workspace.problems import UserError

place = Blueprint("screen", __name__, url_prefix="/screen")

GREYS = range(5, 100, 10)  # L*
CHIP = "52,48,20"


@place.get("/")
def show() -> str | tuple[str, int]:
    """The greys, and the chip whose Lab is given."""
    desk: Desk = current_app.extensions["desk"]
    settings = desk.now().usual.shop.settings
    view = viewing(settings.illuminant, settings.observer)
    text = request.args.get("lab", "").strip() or CHIP
    target = written(text, view)
    if target is None:
        raise UserError(f'{words().screen.lab} "{text}": write it as {CHIP}.')
    return render_template(
        "screen.html",
        greys=[(f"{L}", str(srgb_hex([L, 0, 0], view))) for L in GREYS],
        lab=text,
        fill=str(srgb_hex(target.lab, view)),
        vivid=not in_srgb_gamut(target.lab, view),
        settings=settings,
        same=f"{SAME_dE00:g}",
        just=f"{JUST_dE00:g}",
    )
