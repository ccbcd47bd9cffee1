"""A target as people write it: a screen colour, L,a,b, a name in the shop's ``targets.csv``, or
the file of a measured chip."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd

from learn.colour.colorimetry import (
    Viewing,
    delta_e00,
    in_srgb_gamut,
    lab_from_reflectance,
    lab_from_srgb_hex,
)
from learn.errors import Unusable
from pipelines.tables.agreement import contradictions
from pipelines.tables.cells import typed
from pipelines.tables.schema import LAB, TARGETS
from pipelines.tables.spectra import SPECTRUM
from pipelines.workspace.problems import Kind, Problem

FORMS = (
    "L,a,b as 45,60,30, a screen colour as #aa3322, a name of targets.csv, or a file with a "
    "measured chip"
)
SAME_DE00 = 0.5  # between two ways of writing one target: the 8 bits of a screen colour stay below
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")
_LAB_COLUMNS = [column.name for column in LAB]
TARGET_LAB = [f"target_{name}" for name in _LAB_COLUMNS]


class NotATarget(Exception):
    """A text that means no target: ``what`` is wrong, what to ``do``, what was ``meant``."""

    def __init__(self, what: str, do: str, meant: str | None = None) -> None:
        super().__init__(what)
        self.what, self.do, self.meant = what, do, meant


class Target(NamedTuple):
    """A target under the shop's viewing condition; ``measured``: by the chip of a file."""

    lab: np.ndarray  # (3,)
    tolerance_dE00: float | None  # None: the shop's
    notes: list[str]
    measured: bool = False


def no_chip(text: str) -> Target | None:  # noqa: ARG001 - where no file is looked for
    """The chip of a file of that name, where files are not looked for."""
    return None


@dataclass(frozen=True)
class Targets:
    """Reads targets. ``rows``: the shop's own as `typed_targets` gives them, if they are needed;
    ``chip``: the measured chip of the file that a text names, None where it names none."""

    viewing: Viewing
    rows: Callable[[], pd.DataFrame]
    chip: Callable[[str], Target | None] = no_chip

    @cached_property
    def by_name(self) -> dict[str, tuple[str, Target]]:
        """The shop's targets by their names, case and blanks apart."""
        return {
            plain(row["name"]): (
                row["name"],
                Target(
                    np.array([row[name] for name in _LAB_COLUMNS]),
                    None if pd.isna(row["tolerance_dE00"]) else float(row["tolerance_dE00"]),
                    [],
                ),
            )
            for row in self.rows().to_dict("records")
        }

    def read(self, text: str) -> Target:
        """The target that ``text`` means; raises NotATarget when it means none."""
        text = text.strip()
        found = written(text, self.viewing)
        if found is not None:
            return found
        if (named := self.by_name.get(plain(text))) is not None:
            return named[1]
        if (chip := self.chip(text)) is not None:
            return chip
        if re.fullmatch("[0-9a-fA-F]{6}", text):
            raise NotATarget("has the digits of a screen colour", "write it with #", f"#{text}")
        close = difflib.get_close_matches(plain(text), list(self.by_name), n=1)
        meant = self.by_name[close[0]][0] if close else None
        raise NotATarget("is no target", f"give {FORMS}", meant)


def none_named() -> pd.DataFrame:
    """The rows of a shop that keeps no targets."""
    return pd.DataFrame(columns=["name", *_LAB_COLUMNS, "tolerance_dE00"])


def numbers_of(text: str) -> list[str]:
    """What ``text`` writes one after the other, decimal commas and minus signs as programs do.

    >>> numbers_of("45,60,30"), numbers_of("45,5; 60,1; 30,2"), numbers_of("45,5 60,1 30")
    (['45', '60', '30'], ['45.5', '60.1', '30.2'], ['45.5', '60.1', '30'])

    Where some commas part and others may be decimal, nobody knows which: these are two.

    >>> numbers_of("25,5, 3")
    ['25.5', '3']
    """
    parts = re.split(r"\s*;\s*|\s*,\s+|\s+", text.strip())
    mixed = re.search(r",\s", text) and re.search(r",\S", text)
    if len(parts) != 3 and ";" not in text and not mixed:
        apart = re.split(r"\s*,\s*", text.strip())
        parts = apart if len(apart) > 1 else parts
    return [part.replace(",", ".").replace("\N{MINUS SIGN}", "-") for part in parts]


def written(text: str, viewing: Viewing) -> Target | None:
    """The colour written out in ``text``; None where it is a word.

    Raises NotATarget for something that looks like a colour and is none.
    """
    if text.startswith("#"):
        try:
            return Target(lab_from_srgb_hex(text, viewing), None, [])
        except ValueError:
            do = "write it as #rrggbb, for example #c8102e"
            raise NotATarget("is not a screen colour", do) from None
    parts = numbers_of(text)
    if not all(_NUMBER.fullmatch(part) for part in parts):
        return None
    if len(parts) != 3:
        raise NotATarget("is not the three numbers of a colour", f"give {FORMS}")
    from learn.planning.plan import checked_target  # seldom needed, and slow to import

    try:
        lab = checked_target([float(part) for part in parts])
    except Unusable as error:
        raise NotATarget("is no colour", str(error)) from None
    vivid = [] if in_srgb_gamut(lab, viewing) else ["the target is more vivid than a screen shows."]
    return Target(lab, None, vivid)


def typed_targets(
    given: pd.DataFrame, viewing: Viewing, file: str = TARGETS.file
) -> tuple[pd.DataFrame, list[Problem]]:
    """``name``, ``L``, ``a``, ``b``, ``tolerance_dE00`` of ``targets.csv``, and what is wrong."""
    problems: list[Problem] = []
    cells = given.map(str.strip).astype(object)
    if "hex" in cells:
        cells = cells.assign(**{c: "" for c in _LAB_COLUMNS if c not in cells})
        problems += _hex_as_lab(cells, viewing, file)
    told = {problem.row for problem in problems}
    frame, faults = typed(TARGETS, cells, file, date.today())
    problems += [fault for fault in faults if fault.row not in told]
    told = {problem.row for problem in problems}
    apart = contradictions(frame, cells, file, viewing.illuminant, viewing.observer)
    problems += [problem for problem in apart if problem.row not in told]
    spectrum = frame[SPECTRUM].notna().all(axis=1)
    if spectrum.any():
        lab = lab_from_reflectance(frame.loc[spectrum, SPECTRUM].to_numpy(float), viewing)
        frame.loc[spectrum, _LAB_COLUMNS] = lab
    first: dict[str, int] = {}
    for row, name in frame["name"].dropna().items():
        what = None
        if (earlier := first.setdefault(plain(name), int(row))) != row:
            what, do, kind = (
                f"stands in row {earlier} already",
                "keep one row a name",
                Kind.DUPLICATE,
            )
        elif _is_colour(name, viewing):
            what, do, kind = (
                "is a colour, not a name",
                "give it a name in words",
                Kind.CONTRADICTION,
            )
        if what:
            problems.append(Problem(file, int(row), "name", f'"{name}" {what}', do, kind))
    return frame[["name", *_LAB_COLUMNS, "tolerance_dE00"]], problems


def with_targets(
    frame: pd.DataFrame, targets: Targets | None, file: str
) -> tuple[pd.DataFrame, list[Problem], list[str]]:
    """Set-ups with what their column ``target`` says in ``target_L``, ``target_a``, ``target_b``;
    what is wrong; and how chips were read.

    A named target's tolerance counts where the set-up has none of its own.
    """
    problems: list[Problem] = []
    cells = frame["target"].dropna()
    read: dict[str, Target | NotATarget] = {}
    frame = frame.copy()
    for row, cell in cells.items():
        if cell not in read:
            read[cell] = _read(cell, targets)
        found = read[cell]
        if isinstance(found, NotATarget):
            what = f'"{cell}" {found.what}'
            problems.append(
                Problem(file, int(row), "target", what, found.do, Kind.UNREADABLE, found.meant)
            )
            continue
        own = frame.loc[row, TARGET_LAB].to_numpy(float)
        if np.isfinite(own).all() and (off := float(delta_e00(own, found.lab))) > SAME_DE00:
            what = f'"{cell}" and {", ".join(TARGET_LAB)} lie {off:.1f} dE00 apart'
            do = "keep the one that is meant"
            problems.append(Problem(file, int(row), "target", what, do, Kind.CONTRADICTION))
        if np.isnan(own).all():
            frame.loc[row, TARGET_LAB] = found.lab
        if found.tolerance_dE00 is not None and pd.isna(frame.loc[row, "tolerance_dE00"]):
            frame.loc[row, "tolerance_dE00"] = found.tolerance_dE00
    chips = [one for one in read.values() if isinstance(one, Target) and one.measured]
    return frame, problems, list(dict.fromkeys(note for chip in chips for note in chip.notes))


def _read(cell: str, targets: Targets | None) -> Target | NotATarget:
    if targets is None:
        return NotATarget("cannot be read here", f"fill in {', '.join(TARGET_LAB)}")
    try:
        return targets.read(cell)
    except NotATarget as error:
        return error


def _hex_as_lab(cells: pd.DataFrame, viewing: Viewing, file: str) -> list[Problem]:
    """Screen colours written into the Lab columns of ``cells``; what is wrong with them."""
    problems = []
    for row, cell in cells["hex"][cells["hex"] != ""].items():
        what = None
        others = [c for c in cells.columns if c in (*_LAB_COLUMNS, *SPECTRUM) and cells.loc[row, c]]
        if others:
            what, do = f"stands beside {others[0]}", "give one colour a row"
        try:
            lab = lab_from_srgb_hex(cell, viewing)
        except ValueError as error:
            what, do = str(error).split(":")[0], "write it as #rrggbb, for example #c8102e"
        if what:
            problems.append(Problem(file, int(row), "hex", what, do, Kind.UNREADABLE))
        else:
            cells.loc[row, _LAB_COLUMNS] = [f"{value:.6f}" for value in lab]
    return problems


def _is_colour(name: str, viewing: Viewing) -> bool:
    try:
        return written(name, viewing) is not None
    except NotATarget:
        return True


def plain(name: str) -> str:
    """A name as names are compared: without case, blanks taken together."""
    return " ".join(name.casefold().split())
