"""Threads per cm or per inch? Each mesh by its own geometry, then by the table it stands in.

A count per inch taken as per cm makes a film two to three times too thin, so what is doubtful is
refused with both readings told. What a row gives beside its count says how much of the pitch the
thread takes: thread / pitch, 1 - opening / pitch, 1 - sqrt(open area), 1 - sqrt(ink volume / fabric
thickness). Under the right unit they agree, and a mesh can be woven.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.physics.deposit import FABRIC_PER_THREAD, complete_meshes
from pipelines.workspace.problems import Kind, Problem

Array = NDArray[np.floating]

PER_CM, PER_INCH = "threads_per_cm", "threads_per_inch"
INCH_CM = 2.54
# Share of the pitch that the thread takes, in published meshes: 0.21 (55 um at 39 per cm, trade
# article of April 2000) to 0.49 (54 um at 90 per cm, nt-jp.com), 0.51 (31 um at 165 per cm, count
# and thread from memory).
WOVEN = (0.20, 0.52)
CLOSED = 0.684  # beyond it less than 10 % is open, and no ink passes; common practice, no source
AGREE = 0.10  # of the pitch: sheets round, and measure with or without tension
# Ink volume / pitch / FABRIC_PER_THREAD: share x (1 - share)^2, where fabric is as thick as that
# many threads or up to a fifth more.
LAID = (0.10, 0.18)
# Counts that screens are sold by per inch, some of them counts per cm as well; and the highest
# count per cm of an ordinary screen. Common practice, no source.
SOLD_PER_INCH = (86, 110, 125, 137, 140, 156, 160, 180)
FINEST_PER_CM = 182
SAME = 0.05  # a count given in both units


class Reading(NamedTuple):
    """The rows of a table under one unit."""

    agrees: pd.Series  # two figures of a row or more, one of them against the count, say the same
    woven: pd.Series  # such a mesh can be bought
    closed: pd.Series  # it cannot be, or no ink would pass it
    thread: pd.Series  # um, also of the fabric


def per_cm(meshes: pd.DataFrame) -> pd.DataFrame:
    """Meshes with every count per cm, and no column per inch."""
    filled = meshes[PER_CM].fillna(meshes[PER_INCH] / INCH_CM)
    return meshes.assign(**{PER_CM: filled}).drop(columns=PER_INCH)


def check_mesh_units(meshes: pd.DataFrame, file: str) -> list[Problem]:
    """Counts under the wrong unit, counts that may be either, and woven nonsense."""
    both = meshes[PER_CM].notna() & meshes[PER_INCH].notna()
    apart = both & ((meshes[PER_INCH] / meshes[PER_CM] / INCH_CM - 1).abs() > SAME)
    what = "is not threads_per_cm times 2.54"
    problems = [
        Problem(file, int(row), PER_INCH, what, "keep one of the two", Kind.CONTRADICTION)
        for row in meshes.index[apart]
    ]
    problems += _of_column(meshes[~both & meshes[PER_CM].notna()], PER_CM, file)
    problems += _of_column(meshes[~both & meshes[PER_INCH].notna()], PER_INCH, file)
    told = {problem.row for problem in problems}
    if None in told:  # a whole column
        return problems
    return problems + _nonsense(per_cm(meshes.drop(index=list(told))), file)


def _of_column(meshes: pd.DataFrame, column: str, file: str) -> list[Problem]:
    """Rows of one column that belong under the other, or may."""
    if meshes.empty:
        return []
    count = meshes[column]
    pitch = {PER_CM: 1e4 / count, PER_INCH: INCH_CM * 1e4 / count}
    own = _read(meshes, pitch[column])
    if own.agrees.all():
        return []
    other = PER_INCH if column == PER_CM else PER_CM
    else_ = _read(meshes, pitch[other])
    figures = ["thread_um", "opening_um", "fabric_um", "theoretical_ink_cm3_m2"]
    alone = meshes[figures].isna().all(axis=1)
    wrong = ~own.agrees & (
        else_.agrees | (~own.woven & else_.woven) | (own.closed & ~else_.closed)
    ) & ~alone  # fmt: skip
    if column == PER_CM:
        wrong |= alone & (count > FINEST_PER_CM)
    doubtful = alone & ~wrong & wrong.any()
    if column == PER_CM:
        near = np.abs(np.subtract.outer(count.to_numpy(), SOLD_PER_INCH))
        doubtful |= alone & ~wrong & (near <= 1).any(axis=1)
    found = wrong | doubtful
    if not found.any():
        return []
    told = {
        unit: _in_words(meshes[found], pitch[unit][found], reading.thread)
        for unit, reading in ((column, own), (other, else_))
    }
    if len(meshes) > 1 and found.all() and wrong.any():
        row = meshes.index[wrong][0]
        readings = _readings(count[row], told, row)
        what = f"every count looks like {_unit(other)}: {readings}"
        return [Problem(file, None, column, what, f"name the column {other}", Kind.UNIT)]
    problems = []
    for row in meshes.index[found]:
        n, thread = count[row], meshes.loc[row, "thread_um"]
        with_thread = f" with a thread of {thread:g} um" if thread > 0 else ""
        n_else = n / INCH_CM if other == PER_INCH else n * INCH_CM
        looks, do = (
            f"looks like {_unit(other)}",
            f"move it to a column {other}, or write {n_else:.0f} here",
        )
        if doubtful[row]:
            looks = f"alone may be {_unit(column)} or {_unit(other)}"
            do = f"give its thread_um or opening_um, or move it to a column {other} if it is that"
        what = f"{n:g}{with_thread} {looks}: {_readings(n, told, row)}"
        problems.append(Problem(file, int(row), column, what, do, Kind.UNIT))
    return problems


def _unit(column: str) -> str:
    return column.replace("_", " ")


def _readings(n: float, told: dict[str, pd.Series], row: int) -> str:
    """Both readings of a count in words."""
    return (
        f"{n:g} threads per cm would {told[PER_CM][row]}; {n:g} per inch is {n / INCH_CM:.0f} "
        f"per cm and would {told[PER_INCH][row]}"
    )


def _read(meshes: pd.DataFrame, pitch: pd.Series) -> Reading:
    """The rows of ``meshes`` if threads lie ``pitch`` (n,) apart, in um."""
    figures = ("opening_um", "theoretical_ink_cm3_m2", "open_area_pct", "fabric_um", "thread_um")
    opening, volume, percent, fabric, thread = (meshes[c].to_numpy(float) for c in figures)
    apart, area = pitch.to_numpy(float), percent / 100
    with np.errstate(all="ignore"):  # what is nonsense is told elsewhere
        fabric = _else(fabric, volume / area)
        thread = _else(thread, fabric / FABRIC_PER_THREAD)
        fabric = _else(fabric, FABRIC_PER_THREAD * thread)
        by_count = np.array([thread / apart, 1 - opening / apart])
        shares = np.array([*by_count, 1 - np.sqrt(area), 1 - np.sqrt(volume / fabric)])
        laid = volume / apart / FABRIC_PER_THREAD
        spread = np.fmax.reduce(shares) - np.fmin.reduce(shares)
    some = ~np.isnan(by_count).all(axis=0)
    agrees = some & ((~np.isnan(shares)).sum(axis=0) > 1) & (spread <= AGREE)
    least, most = WOVEN
    woven = some & (np.isnan(by_count) | ((by_count >= least) & (by_count <= most))).all(axis=0)
    woven |= ~some & (laid >= LAID[0]) & (laid <= LAID[1])
    closed = (by_count[0] > CLOSED) | (by_count[1] <= 0)
    closed |= ~some & (laid > LAID[1])
    return Reading(*(pd.Series(told, meshes.index) for told in (agrees, woven, closed, thread)))


def _else(figures: Array, others: Array) -> Array:
    """The ``figures``, and where there is none the ``others``."""
    return np.where(np.isnan(figures), others, figures)


def _in_words(meshes: pd.DataFrame, pitch: pd.Series, thread: pd.Series) -> pd.Series:
    """What each row would be like with threads ``pitch`` apart; both in um."""
    usual = complete_meshes(pd.DataFrame({"threads_per_cm": 1e4 / pitch}))
    volume = usual["theoretical_ink_cm3_m2"]
    words = {}
    for row, apart in pitch.items():
        opening = meshes.loc[row, "opening_um"]
        if thread[row] >= apart:
            words[row] = "leave no opening"
        elif thread[row] > 0:
            words[row] = f"leave {100 * (1 - thread[row] / apart) ** 2:.0f} % open"
        elif opening >= apart:
            words[row] = f"have no room for an opening of {opening:g} um"
        elif opening > 0:
            words[row] = f"have a thread of {apart - opening:.0f} um"
        else:
            words[row] = f"lay about {volume[row]:.0f} cm3/m2 of ink"
    return pd.Series(words, dtype=object, index=meshes.index)


def _nonsense(meshes: pd.DataFrame, file: str) -> list[Problem]:
    """A thread thicker than the pitch, an opening wider than it."""
    count, thread, opening = (meshes[c] for c in (PER_CM, "thread_um", "opening_um"))
    solid, wide = thread >= 1e4 / count, opening >= 1e4 / count
    problems, sheet = [], "check both on the mesh maker's sheet"
    for row in meshes.index[solid]:
        what = f"a thread of {thread[row]:g} um leaves no opening at {count[row]:g} threads per cm"
        problems.append(Problem(file, int(row), "thread_um", what, sheet, Kind.CONTRADICTION))
    for row in meshes.index[wide & ~solid]:
        what = (
            f"an opening of {opening[row]:g} um is wider than {count[row]:g} threads per cm allow"
        )
        problems.append(Problem(file, int(row), "opening_um", what, sheet, Kind.CONTRADICTION))
    return problems
