"""A target colour from the command line: as in a table of jobs, or a measured chip in a file."""

from __future__ import annotations

from pathlib import Path

from learn.colour.colorimetry import delta_e00
from learn.shop import ShopSettings
from pipelines.tables.targets import NotATarget, Target, Targets
from pipelines.workspace.problems import UserError

ONE_CHIP_DE00 = 1.0  # readings farther than this from their mean are of several chips
SHOWN = 12


def read_target(
    text: str, targets: Targets, settings: ShopSettings, option: str = "--target"
) -> Target:
    """The target that ``text`` means; raises UserError, naming ``option``, when it means none."""
    try:
        return targets.read(text)
    except NotATarget as error:
        path = Path(text.strip())
        if error.unnamed and path.is_file():
            return _chip(path, settings)
        meant = f' (is "{error.meant}" meant?)' if error.meant else ""
        file = ", or a file with a measured chip" if error.unnamed else ""
        said = f'{option} "{text}" {error.what}; {error.do}{file}{meant}.'
        raise UserError(said) from None


def _chip(path: Path, settings: ShopSettings) -> Target:
    """The one chip of a file, the mean where it was measured several times."""
    from pipelines.measured import read_measured  # slow to import, and seldom needed

    measured = read_measured(path, settings)
    readings = measured.frame[["L", "a", "b"]].to_numpy(float)
    lab = readings.mean(axis=0)
    if (delta_e00(readings, lab) > ONE_CHIP_DE00).any():
        names = measured.frame["sample"]
        each = [
            f"{name} {L:.1f},{a:.1f},{b:.1f}"
            for name, (L, a, b) in zip(names, readings, strict=True)
        ]
        more = f" and {len(each) - SHOWN} more" if len(each) > SHOWN else ""
        raise UserError(
            f"{path.name} holds {len(each)} readings that are not of one chip: "
            f"{'; '.join(each[:SHOWN])}{more}; give the one that is meant as L,a,b."
        )
    notes = list(measured.said)
    if len(readings) > 1:
        notes.append(f"{path.name}: mean of {len(readings)} readings taken as the target.")
    return Target(lab, None, notes)
