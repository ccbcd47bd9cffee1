"""Mixes in the tables: recipes by weight of inks and prints, and drawdowns of two inks."""

from __future__ import annotations

import re

import pandas as pd

from pipelines.tables.names import Names, fault
from pipelines.tables.schema import DRAWDOWNS, INKS, PRINTS, Table
from pipelines.workspace.problems import Kind, Problem

Recipe = tuple[tuple[str, float], ...]

HOW = "write it as red=70; white=30, by weight"
_PART = re.compile(r"(.*\S)\s*=\s*([0-9]+(?:[.,][0-9]+)?)\s*(?:%|g|kg)?", re.IGNORECASE)
TINT = ["mixed_with", "share_pct"]


def with_recipes(
    frames: dict[str, pd.DataFrame], inks: Names | None
) -> tuple[dict[str, pd.DataFrame], dict[str, list[Problem]]]:
    """Typed ``frames`` with ``mix`` of inks and prints as ((ink, weight), ...), and by table what
    is wrong with mixes and with drawdowns of two inks.

    A mix that names mixes is reckoned down to the inks they are made of.
    """
    changed, faults = dict(frames), {}
    for table in (INKS, PRINTS):
        if table.name in frames:
            changed[table.name], faults[table.name] = _read(frames[table.name], table, inks)
    if DRAWDOWNS.name in frames:
        faults[DRAWDOWNS.name] = _of_tints(frames[DRAWDOWNS.name])
    recipes: dict[str, Recipe] = {}
    if INKS.name in changed:
        mixed, recipes = changed[INKS.name], made_of(changed[INKS.name])
        round_about = [ink for ink in recipes if _parts(ink, recipes, (ink,)) is None]
        for row in mixed.index[mixed["ink_id"].isin(round_about)]:
            what, do = "the ink would be made of itself", "name the inks it is made of"
            problem = Problem(INKS.file, int(row), "mix", what, do, Kind.CONTRADICTION)
            faults[INKS.name].append(problem)
        recipes = {ink: mix for ink, mix in recipes.items() if ink not in round_about}
    for name in changed.keys() & {INKS.name, PRINTS.name}:
        down = [None if mix is None else reckoned(mix, recipes) for mix in changed[name]["mix"]]
        changed[name] = changed[name].assign(mix=pd.Series(down, changed[name].index, dtype=object))
    return changed, faults


def made_of(inks: pd.DataFrame) -> dict[str, Recipe]:
    """The recipes of the inks that are mixes."""
    mixed = inks.dropna(subset=["mix", "ink_id"])
    return dict(zip(mixed["ink_id"], mixed["mix"], strict=True))


def _read(
    frame: pd.DataFrame, table: Table, inks: Names | None
) -> tuple[pd.DataFrame, list[Problem]]:
    found, problems = [], []
    for row, text in frame["mix"].items():
        mix = None
        if isinstance(text, str):
            try:
                mix = _recipe(text, table, inks, int(str(row)))
            except _WrongError as error:
                problems.append(error.problem)
        found.append(mix)
    return frame.assign(mix=pd.Series(found, frame.index, dtype=object)), problems


class _WrongError(Exception):
    def __init__(self, problem: Problem) -> None:
        super().__init__(str(problem))
        self.problem = problem


def _recipe(text: str, table: Table, inks: Names | None, row: int) -> Recipe:
    def wrong(what: str, kind: Kind, do: str = HOW) -> _WrongError:
        return _WrongError(Problem(table.file, row, "mix", what, do, kind))

    found: dict[str, float] = {}
    for part in filter(None, (p.strip() for p in text.split(";"))):
        read = _PART.fullmatch(part)
        if read is None:
            raise wrong(f'"{part}" is no ink with its weight', Kind.UNREADABLE)
        named, weight = read[1], float(read[2].replace(",", "."))
        ink = named
        if inks is not None and named not in inks:
            several = inks.find(named)
            if len(several) != 1:
                told = fault(named, inks, DRAWDOWNS, "ink_id", table.file, row)
                raise wrong(told.what, told.kind, told.advice)
            ink = several[0]
        if weight <= 0:
            raise wrong(f"{ink} weighs nothing", Kind.OUT_OF_RANGE, "leave it out")
        if ink in found:
            raise wrong(f"{ink} stands in it twice", Kind.DUPLICATE, "add up its weights")
        found[ink] = weight
    if len(found) < 2:
        raise wrong("a mix is of two inks or more", Kind.MISSING)
    return tuple(found.items())


def _parts(ink: str, recipes: dict[str, Recipe], above: tuple[str, ...]) -> dict[str, float] | None:
    """What 1 of an ink is made of; None where that comes round to one of those ``above``."""
    if ink not in recipes:
        return {ink: 1.0}
    total = sum(weight for _, weight in recipes[ink])
    found: dict[str, float] = {}
    for part, weight in recipes[ink]:
        below = None if part in above else _parts(part, recipes, (*above, part))
        if below is None:
            return None
        for one, share in below.items():
            found[one] = found.get(one, 0.0) + share * weight / total
    return found


def reckoned(mix: Recipe, recipes: dict[str, Recipe]) -> Recipe:
    """A recipe with the inks in the place of the mixes of ``recipes``."""
    found: dict[str, float] = {}
    for ink, weight in mix:
        for one, share in (_parts(ink, recipes, (ink,)) or {ink: 1.0}).items():
            found[one] = found.get(one, 0.0) + share * weight
    return tuple(found.items())


def _of_tints(frame: pd.DataFrame) -> list[Problem]:
    """A drawdown of two inks says which the other is, and how much of the first."""
    other, share = (frame[c].notna() for c in TINT)
    problems = []

    def flag(wrong: pd.Series, column: str, what: str, do: str) -> None:
        for row in frame.index[wrong]:
            problems.append(Problem(DRAWDOWNS.file, int(row), column, what, do, Kind.CONTRADICTION))

    what = "is empty beside the ink it is mixed with"
    flag(other & ~share, "share_pct", what, "give the percent by weight of ink_id in the mix")
    what = "is empty beside a share"
    flag(share & ~other, "mixed_with", what, "name the other ink, or leave the share out")
    itself = other & (frame["mixed_with"] == frame["ink_id"])
    flag(itself, "mixed_with", "is the ink itself", "name the other ink")
    return problems


def apart(frames: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """The frames of a shop, drawdowns of two inks as ``tints`` beside those of one."""
    drawn = frames["drawdowns"]
    two = drawn["mixed_with"].notna()
    pure = drawn[~two].drop(columns=TINT)
    return frames | {"drawdowns": pure, "tints": drawn[two]}
