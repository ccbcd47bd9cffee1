"""Where on a sheet the readings are: under titles and units, side by side, above statistics."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipelines.measured.block import Block, listed
from pipelines.measured.columns import columns_of, is_header
from pipelines.measured.facts import is_field
from pipelines.tables.layout import LOOKED_AT, Rows, are_units, with_units
from pipelines.words.common import counted

_STATISTICS = re.compile(
    r"(mean|average|avg|median|min(imum)?|max(imum)?|range|(std|standard|st)\.?\s*dev(iation)?\.?|sd"
    r"|variance|cv|mittelwert|mittel|durchschnitt|standardabweichung|moyenne|media|promedio"
    r"|gemiddelde)\s*:?",
    re.IGNORECASE,
)
_KIND = ("type", "objecttype", "recordtype", "kind", "typ", "standardtrial", "standard/trial")
_STANDARDS = {"standard", "std", "reference", "target", "master", "bezug"}
_TRIALS = {"trial", "sample", "batch", "specimen", "print", "measurement", "probe"}


class Laid(NamedTuple):
    """``rows`` from the header on, each a reading; ``one``: what one is called, row, or column
    where they stood side by side; ``over``: what keywords above the header tell of them."""

    rows: Rows
    one: str
    over: dict[str, list[str]]


def laid_out(rows: Rows, said: list[str]) -> Laid:
    """Where the readings are; the rows as they are where no header is found."""
    tidy = {n: [" ".join(cell.split()) for cell in cells] for n, cells in rows.items()}
    at = next((n for n in [*tidy][:LOOKED_AT] if is_header(tidy[n])), None)
    if at is None:
        turned = _turned(tidy)
        if turned is None:
            return Laid(rows, "row", {})
        said.append("The readings stand side by side: read column by column.")
        return Laid(turned, "column", {})
    if at != next(iter(rows)):
        said.append(f"The table begins in row {at}.")
    laid = {n: cells for n, cells in rows.items() if n >= at}
    below = next((n for n in laid if n > at), None)
    if below is not None and _is_units(tidy[below]):
        laid[at] = with_units(tidy[at], laid.pop(below))
    return Laid(laid, "row", _keywords(cells for n, cells in tidy.items() if n < at))


def _keywords(over: Iterable[list[str]]) -> dict[str, list[str]]:
    """What rows above a table declare of its readings: ``Illuminant | D65`` or ``Observer: 2``."""
    found: dict[str, list[str]] = {}
    for cells in over:
        filled = [
            part for cell in cells for part in re.split(r"\s*[:=]\s*", cell, maxsplit=1) if part
        ]
        for keyword, value in pairwise(filled):
            if is_field(keyword):
                found.setdefault(keyword.upper(), []).append(value)
    return found


def _is_units(cells: list[str]) -> bool:
    """A row of units may have but dashes for Lab, which has none."""
    filled = [cell.strip("()[] ") for cell in cells if cell]
    dashes = all(cell in ("-", "--", "%", "nm", "") for cell in filled)
    return len(filled) > 1 and (dashes or are_units(cells))


def _turned(rows: Rows) -> Rows | None:
    """Readings in columns turned into rows, if the first column names their colours."""
    numbers = [*rows]
    for at in numbers[:LOOKED_AT]:
        below = [rows[n] for n in numbers if n > at]
        heads = ["SAMPLE_NAME", *(cells[0] if cells else "" for cells in below)]
        if len(below) > 2 and is_header(heads) and len(rows[at]) > 1:
            width = len(rows[at])
            square = [(cells + [""] * width)[:width] for cells in below]
            there = [i for i in range(1, width) if rows[at][i]]
            return {1: heads} | {i + 1: [rows[at][i], *(r[i] for r in square)] for i in there}
    return None


def prints_alone(block: Block, file: str, said: list[str]) -> Block:
    """Without statistics below the readings, and without standards beside trials."""
    columns = columns_of(list(block.cells.columns), file)
    if not columns.samples or not columns.has_colour:
        return block
    names = block.cells[columns.samples[0]].str.strip()
    statistics = names.str.fullmatch(_STATISTICS.pattern, flags=re.IGNORECASE).to_numpy(bool)
    if statistics.any() and not statistics.all():
        said.append(f"Left aside as statistics: {listed(names[statistics])}.")
        block = _only(block, ~statistics)
    for name in block.cells.columns:
        if re.sub(r"[\s_-]", "", name).casefold() not in _KIND:
            continue
        kinds = block.cells[name].str.strip().str.casefold()
        standards = kinds.isin(_STANDARDS).to_numpy()
        trials = kinds.isin(_TRIALS).to_numpy()
        if standards.any() and trials.any() and (standards | trials).all():
            left = counted(int(standards.sum()), "standard")
            said.append(f"{left} left aside: the trials are the prints.")
            block = _only(block, trials)
    return block


def without_percent_signs(block: Block, file: str) -> Block:
    """Reflectances written as 3.5 % as numbers, and that they are percent."""
    bands = [*columns_of(list(block.cells.columns), file).spectrum.values()]
    text = block.cells[bands].apply(lambda cells: cells.str.strip())
    signed = text.apply(lambda cells: cells.str.endswith("%"))
    if not bands or not signed.to_numpy(bool).any() or not (signed | (text == "")).all(axis=None):
        return block
    bare = text.apply(lambda cells: cells.str.rstrip("% \N{NO-BREAK SPACE}"))
    return replace(block, cells=block.cells.assign(**bare), scale="percent")


def _only(block: Block, kept: np.ndarray) -> Block:
    where = [place for place, one in zip(block.where, kept, strict=True) if one]
    return replace(block, cells=block.cells[kept].reset_index(drop=True), where=where)
