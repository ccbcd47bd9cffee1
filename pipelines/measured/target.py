"""A target colour as in a table of jobs, or a measured chip in a file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from learn.colour.colorimetry import delta_e00
from learn.shop import ShopSettings
from pipelines.tables.targets import NotATarget, Target, Targets
from pipelines.workspace.problems import UserError

ONE_CHIP_DE00 = 1.0  # readings farther than this from their mean are of several chips
SHOWN = 12
# What instruments call their files: a target that ends so is meant as one.
CHIPS = {".csv", ".tsv", ".txt", ".xlsx", ".xml", ".cxf", ".cgats", ".dat"}
CORRECT = "correct its name, or give L,a,b as 45,60,30 or a screen colour as #aa3322"


def with_chips(
    targets: Targets,
    settings: ShopSettings,
    folder: Path = Path(),
    opened: list[Path] | None = None,
) -> Targets:
    """The same, taking the name of a file with a measured chip too, as seen from ``folder``; each
    file that is read joins ``opened``."""

    def chip(text: str) -> Target | None:
        path = folder / text
        try:
            if not path.is_file():
                if not path.exists() and path.suffix.lower() in CHIPS:
                    raise NotATarget("names a file, and there is none", CORRECT)
                return None
            if opened is not None:
                opened.append(path)
            return _chip(path, settings)
        except OSError:  # too long for a name
            return None

    return replace(targets, chip=chip)


def read_target(
    text: str, targets: Targets, settings: ShopSettings, option: str = "--target"
) -> Target:
    """The target that ``text`` means; raises UserError, naming ``option``, when it means none."""
    try:
        return with_chips(targets, settings).read(text)
    except NotATarget as error:
        meant = f' (is "{error.meant}" meant?)' if error.meant else ""
        raise UserError(f'{option} "{text}" {error.what}; {error.do}{meant}.') from None


def _chip(path: Path, settings: ShopSettings) -> Target:
    """The one chip of a file, the mean where it was measured several times; raises NotATarget where
    it holds several."""
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
        what = f"holds {len(each)} readings that are not of one chip"
        what += f": {'; '.join(each[:SHOWN])}{more}"
        raise NotATarget(what, "give the one that is meant as L,a,b")
    notes = list(measured.said)
    if len(readings) > 1:
        notes.append(f"{path.name}: mean of {len(readings)} readings taken as the target.")
    return Target(lab, None, notes, measured=True)
