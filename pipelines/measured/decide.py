"""From tables of text to measured colours: every decision is taken here, and said."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from learn.shop import ShopSettings
from pipelines.measured import facts as declared
from pipelines.measured.block import CONDITIONS, Block, listed, refuse
from pipelines.measured.colour import colours, given_colours
from pipelines.measured.columns import Columns, columns_of
from pipelines.measured.heads import undressed
from pipelines.measured.numbers import looks_like_a_date, looks_rounded
from pipelines.measured.reflectance import scaled, sides
from pipelines.tables.cells import shown
from pipelines.tables.spectra import SPECTRUM
from pipelines.workspace.problems import printable

_MAX_NAME = 200
_DEVICE = re.compile(r"(CMYK|CMY|RGB|GRAY)_\w+", re.IGNORECASE)
Expected = Callable[[list[str]], np.ndarray]  # names of samples -> L (n,), NaN where not known


@dataclass(frozen=True)
class Measured:
    """Measured prints of one file, all under one condition.

    ``frame``: a row a reading in file order: ``sample``; ``where`` in the file; ``L, a, b``
    under the shop's viewing condition; ``r400`` ... ``r700``, fractions, NaN without spectrum.
    A spot-colour characterisation also has ``ink``, ``over`` ("substrate" or "black") and
    ``tint_pct``.
    ``facts``: what the file declares, of measurement_condition (M0 to M3), backing, illuminant,
    observer, geometry, instrument, created. ``said``: decisions taken, a sentence each.
    """

    frame: pd.DataFrame
    facts: dict[str, str]
    said: list[str]


def decide(
    blocks: list[Block],
    settings: ShopSettings,
    file: str,
    said: list[str],
    measurement_condition: str | None = None,
    gloss_included: bool = False,
    reflectance: str | None = None,
    expected_L: Expected | None = None,
) -> Measured:
    """One Measured of all tables of a file; raises UserError when they cannot be one."""
    tables = []
    for block in blocks:
        block = undressed(block, (settings.illuminant, settings.observer), said)
        columns = columns_of(list(block.cells.columns), file)
        if columns.has_colour and len(block.cells):
            facts = block.facts | declared.of_columns(
                {name: block.cells[name] for name in columns.conditions}, file
            )
            facts = _behind_its_filter(facts, file)
            tables.append((replace(block, facts=facts), columns))
    if not tables:
        what = "holds no reading with Lab or a spectrum"
        refuse(file, what, "export L, a, b or reflectance from 400 to 700 nm with sample names")
    if len(tables) < len(blocks):
        said.append(f"{len(blocks) - len(tables)} of {len(blocks)} tables hold no colour.")
    tables = _under_condition(tables, measurement_condition, file, said)
    facts = _common_facts([block.facts for block, _ in tables], file)
    _check_kind(facts, gloss_included, all(c.spectrum for _, c in tables), file)
    _tell(facts, tables, said)
    named = [(block, columns, _samples(block, columns, file, said)) for block, columns in tables]
    named = _joined(named, file, said)
    given = []
    for block, columns, names in named:
        L = np.full(len(names), np.nan) if expected_L is None else expected_L(names)
        given.append(given_colours(block, columns, facts, settings, L, file, said))
    found = sides([table.trial for table in given])
    of_file = np.concatenate(found)
    frames = []
    for table, own, (block, columns, names) in zip(given, found, named, strict=True):
        spectra = scaled(table.trial, own, of_file, block, reflectance, file, said)
        lab = colours(table, spectra, facts, settings, file, said)
        if columns.others and block.free_order:
            said.append(f"Left aside: {listed(columns.others)}.")
        frames.append(_frame(block, names, lab, spectra))
    frame = pd.concat(frames, ignore_index=True)
    facts = {key: printable(value) for key, value in facts.items()}
    return Measured(frame, facts, list(dict.fromkeys(map(printable, said))))


def _frame(block: Block, names: list[str], lab: np.ndarray, spectra: np.ndarray) -> pd.DataFrame:
    place = pd.DataFrame({"sample": names, "where": block.where})
    colour = pd.DataFrame(np.hstack([lab, spectra]), columns=["L", "a", "b", *SPECTRUM])
    return pd.concat([place, colour, block.extra], axis=1)


def _behind_its_filter(facts: dict[str, str], file: str) -> dict[str, str]:
    """The facts with the measurement condition that a filter stands for."""
    behind, condition = facts.get("filter"), facts.get("measurement_condition")
    kept = {key: value for key, value in facts.items() if key != "filter"}
    if behind is None or behind == condition or (behind == "M0" and condition):
        return kept  # no filter: M1 has none either, and M2 may be made by the lamp
    if condition:
        what = f"declares {condition} and a filter that makes it {behind}"
        refuse(file, what, "export the file again with the condition it was measured under")
    return kept | {"measurement_condition": behind}


def _tell(facts: dict[str, str], tables: list[tuple[Block, Columns]], said: list[str]) -> None:
    """What is declared and has no bearing here, or cannot be understood."""
    if lamp := facts.get("lamp"):
        said.append(f"The lamp is {lamp}, which tells none of M0 to M3.")
    odd = [n for _, columns in tables for n in columns.others if declared.not_understood(n)]
    for block, columns in tables:
        odd += [n for n in columns.conditions if not declared.heard(n, block.cells[n])]
    if odd:
        said.append(f"Not understood, and left aside: {listed(dict.fromkeys(odd))}.")
    device = [n for _, columns in tables for n in columns.others if _DEVICE.fullmatch(n)]
    if device:
        names = listed(dict.fromkeys(device))
        said.append(f"The samples are patches of a chart, printed by device values ({names}).")


def _check_kind(facts: dict[str, str], gloss_included: bool, spectral: bool, file: str) -> None:
    """Light let through or given off is no print's colour; gloss in it is another."""
    if quantity := facts.get("quantity"):
        what = f"declares {quantity}, not reflectance: it holds no prints"
        refuse(file, what, "measure the prints in reflection")
    if white := facts.get("white"):
        what = f"was measured against the bare ground as white ({white}), which takes it away"
        refuse(file, what, "export it against absolute white")
    if (space := facts.get("space")) and not spectral:
        what = f"gives colours as {space}, which are not those of CIE L*a*b*"
        refuse(file, what, "export CIE L*a*b*, or the spectra")
    if facts.get("specular") == "included" and not gloss_included:
        what = "was measured with its gloss (specular component included), which lightens dark inks"
        do = "export it without (SPEX, SCE, de:8), or record it with --as-declared if that is meant"
        refuse(file, what, do)


def _under_condition(
    tables: list[tuple[Block, Columns]], wanted: str | None, file: str, said: list[str]
) -> list[tuple[Block, Columns]]:
    """The tables of the measurement condition asked for; all, if none is asked for."""
    if wanted is None:
        return tables
    there = [block.facts.get("measurement_condition") for block, _ in tables]
    if not any(there):
        said.append(f"The file declares no measurement condition: taken as {wanted}, as asked.")
        for block, _ in tables:
            block.facts["measurement_condition"] = wanted
        return tables
    kept = [table for table, one in zip(tables, there, strict=True) if one == wanted]
    if not kept:
        what = f"is measured under {listed(sorted(set(filter(None, there))))}, not {wanted}"
        refuse(file, what, f"export the {wanted} readings, or ask for what is there")
    if len(kept) < len(tables):
        said.append(f"Only the readings under {wanted} are taken.")
    return kept


def _common_facts(all_facts: list[dict[str, str]], file: str) -> dict[str, str]:
    common: dict[str, str] = {}
    for facts in all_facts:
        for key, value in facts.items():
            if common.setdefault(key, value) != value and key in CONDITIONS:
                what = f"mixes {CONDITIONS[key]}, {common[key]} and {value}"
                do = "export one condition a file"
                if key == "measurement_condition":
                    do += ", or name the one to read"
                refuse(file, what, do)
    return common


def _samples(block: Block, columns: Columns, file: str, said: list[str]) -> list[str]:
    """The names of the readings."""
    filled = [name for name in columns.samples if (block.cells[name].str.strip() != "").any()]
    if not filled:
        refuse(file, "names no samples", "export SAMPLE_NAME, SAMPLE_ID, or print_id with them")
    column = filled[0]
    if len(filled) > 1:
        said.append(f"Samples are named by {column}; {listed(filled[1:])} left aside.")
    names = [" ".join(cell.split()) for cell in block.cells[column]]
    for where, name in zip(block.where, names, strict=True):
        what = None
        if not name:
            what, do = "is empty", "name the sample, or take the reading out"
        elif len(name) > _MAX_NAME:
            what, do = f"{shown(name)} is no name of a sample", "check the file"
        elif not name.isprintable():
            what, do = f"{shown(name)!a} holds signs that cannot be printed", "rename the sample"
        elif block.free_order and looks_like_a_date(name):
            what = f"{shown(name)} is a date: a spreadsheet has changed the name"
            do = "format the column as text and enter the names again"
        elif block.free_order and looks_rounded(name):
            what = f"{shown(name)} is a number cut short by a spreadsheet"
            do = "format the column as text and enter the names again"
        if what:
            refuse(file, what, do, where=where, column=column)
    return names


Named = tuple[Block, Columns, list[str]]


def _joined(tables: list[Named], file: str, said: list[str]) -> list[Named]:
    """Two tables of the same samples, one with Lab and one with spectra, are one."""
    if len(tables) != 2 or tables[0][2] != tables[1][2]:
        return tables
    (block, columns, names), (block2, columns2, _) = tables
    spectra, lab = sorted((columns, columns2), key=lambda one: not one.spectrum)
    if not spectra.spectrum or spectra.lab or lab.spectrum:
        return tables
    more = [name for name in block2.cells.columns if name not in block.cells.columns]
    both = pd.concat([block.cells, block2.cells[more]], axis=1)
    joined = replace(block, cells=both, facts=block.facts | block2.facts)
    said.append("Two tables of the same samples, Lab and spectra, are read as one.")
    return [(joined, columns_of(list(both.columns), file), names)]
