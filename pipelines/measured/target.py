"""A target colour as people give it: L,a,b, a screen colour, or a measured chip in a file."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

import numpy as np

from learn.colour.colorimetry import Viewing, in_srgb_gamut, lab_from_srgb_hex, viewing
from learn.errors import Unusable
from learn.planning.plan import checked_target
from learn.shop import ShopSettings
from pipelines.workspace.problems import UserError

HOW = "give L,a,b as 45,60,30, a screen colour as #aa3322, or a file with a measured chip"
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")


class Target(NamedTuple):
    """A target under the shop's viewing condition."""

    lab: np.ndarray  # (3,)
    notes: list[str]


def read_target(text: str, settings: ShopSettings, known: Viewing | None = None) -> Target:
    """The target that ``text`` means; raises UserError when it means none.

    ``known``: a viewing condition at hand; where it is the shop's, none is worked out anew,
    which takes longer than all the rest.
    """
    text, wanted = text.strip(), (settings.illuminant, settings.observer)
    at_hand = known and (known.illuminant, known.observer) == wanted
    condition = known if known and at_hand else viewing(*wanted)
    if text.startswith("#"):
        try:
            return Target(lab_from_srgb_hex(text, condition), [])
        except ValueError as error:
            raise UserError(f"--target: {error}.") from None
    parts = [part.strip() for part in re.split("[,;]", text)]
    if all(_NUMBER.fullmatch(part) for part in parts):
        if len(parts) != 3:
            raise UserError(f'--target "{text}": {HOW}.')
        try:
            lab = checked_target([float(part) for part in parts])
        except Unusable as error:
            raise UserError(f"--target: {error}.") from None
        notes = []
        if not in_srgb_gamut(lab, condition):
            notes.append("the target is more vivid than a screen can show.")
        return Target(lab, notes)
    path = Path(text)
    if not path.exists():
        raise UserError(f'--target "{text}": there is no such file; {HOW}.')
    from pipelines.measured import read_measured  # slow to import, and seldom needed

    measured = read_measured(path, settings)
    lab = measured.frame[["L", "a", "b"]].to_numpy(float)
    notes = list(measured.said)
    if len(lab) > 1:
        notes.append(f"{path.name}: mean of {len(lab)} readings taken as the target.")
    return Target(checked_target(lab.mean(axis=0)), notes)
