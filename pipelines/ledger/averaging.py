"""Repeated readings of a print: averaged, counted, and how far they lie apart kept."""

from __future__ import annotations

import json
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import Viewing, delta_e00
from learn.physics.drawdowns import lab_columns
from pipelines.tables.cells import shown
from pipelines.tables.spectra import wavelength_nm
from pipelines.workspace.problems import Problem

# Readings of one print that lie further than this from their mean are told: more than the
# unevenness of a print, common practice, no source.
UNEVEN_DE00 = 3.0


class Averaged(NamedTuple):
    """``cells``: one row a print, with the row of its first good reading; the rest by that row."""

    cells: pd.DataFrame
    readings: tuple[tuple[str, int, str, str], ...]  # print_id, number, place, colour as JSON
    spreads: dict[int, str]
    faults: dict[int, str]
    said: list[str]


def average(
    cells: pd.DataFrame,
    typed: pd.DataFrame,
    faulty: list[Problem],
    place: dict[int, str],
    viewing: Viewing,
) -> Averaged:
    """Average the rows that share a print_id; ``typed`` and ``faulty`` are of the same rows.

    Where some readings of a print cannot be right, the others are averaged. Rows of one print
    that contradict each other in how it was printed are not averaged but told at the first row.
    """
    if "readings" not in cells:
        cells = cells.assign(readings="")
    plain = cells.map(str.strip)
    colour = [name for name in cells if name in ("L", "a", "b") or wavelength_nm(name)]
    ids = plain["print_id"].where(plain["print_id"] != "", plain.index.map("row {}".format))
    of_print, names = pd.factorize(ids)
    good = ~cells.index.isin([fault.row for fault in faulty])
    first = _first(of_print, good)

    faults, said, spreads = {}, [], {}
    setup = plain.drop(columns=[*colour, "readings"])
    here = setup.to_numpy()
    differs = here != here[first[of_print]]
    contradicted = np.zeros(len(names), bool)
    for i in np.flatnonzero(differs.any(axis=1))[::-1]:  # the first one told last, and kept
        column, row, one = setup.columns[differs[i].argmax()], cells.index[i], first[of_print[i]]
        contradicted[of_print[i]] = True
        faults[int(cells.index[one])] = (
            f"{column}: {shown(here[one][differs[i].argmax()])}, but "
            f"{shown(plain.loc[row, column])} in {place.get(row, f'row {row}')} of the same print"
        )

    count = np.bincount(of_print, weights=good, minlength=len(names)).astype(int)
    rows_of = np.bincount(of_print, minlength=len(names))
    meant = (rows_of > 1) & ~contradicted & (count > 0)
    averaged = cells.iloc[first].copy()
    if meant.any():
        use = good & meant[of_print]
        means = _means(plain.loc[use, colour], of_print[use])
        stated = typed.loc[use, "readings"].fillna(1).groupby(of_print[use]).sum()
        averaged.iloc[meant, averaged.columns.get_indexer(colour)] = means.to_numpy()
        averaged.loc[meant, "readings"] = stated.map("{:.0f}".format).to_numpy()
        lab = lab_columns(typed, viewing)[use]
        for group, spread in _spreads(lab, of_print[use]).items():
            spreads[int(cells.index[first[group]])] = json.dumps(spread)
            if rows_of[group] > count[group]:
                left = f"{rows_of[group] - count[group]} of {rows_of[group]} readings"
                said.append(f"{names[group]}: {left} cannot be right; left out of the mean.")
            if spread["furthest_dE00"] > UNEVEN_DE00:
                said.append(
                    f"{names[group]}: its {count[group]} readings lie up to "
                    f"{spread['furthest_dE00']:.1f} dE00 from their mean; is one of another patch?"
                )
    return Averaged(
        averaged.sort_index(), _raw(cells[colour], ids, of_print, place), spreads, faults, said
    )


def _first(of_print: NDArray, good: NDArray) -> NDArray:
    """Position of the first good reading of each print, else of its first."""
    position = pd.Series(np.arange(len(of_print)))
    first = position.groupby(of_print).min()
    return (
        position[good]
        .groupby(of_print[good])
        .min()
        .reindex(first.index)
        .fillna(first)
        .to_numpy(int)
    )


def _means(colours: pd.DataFrame, of_print: NDArray) -> pd.DataFrame:
    """Means as text, over the rows that fill the most columns (a spectrum beats Lab alone)."""
    numbers = colours.replace("\N{MINUS SIGN}", "-", regex=True)
    numbers = numbers.apply(pd.to_numeric, errors="coerce").astype(float).reset_index(drop=True)
    filled = numbers.notna()
    most = filled.sum(axis=1).groupby(of_print).transform("idxmax")
    alike = (filled.to_numpy() == filled.to_numpy()[most]).all(axis=1)
    means = numbers[alike].groupby(of_print[alike]).mean()
    return means.map(lambda mean: "" if np.isnan(mean) else f"{mean:.6g}")


def _spreads(lab: NDArray, of_print: NDArray) -> dict[int, dict[str, float]]:
    frame = pd.DataFrame(lab, columns=["L", "a", "b"])
    groups = frame.groupby(of_print)
    spread = groups.std().fillna(0.0).round(4).add_suffix("_sd")
    off = pd.Series(delta_e00(lab, groups.transform("mean").to_numpy()))
    spread.insert(0, "readings", groups.size())
    spread["furthest_dE00"] = off.groupby(of_print).max().round(3)
    return {
        int(group): row for group, row in zip(spread.index, spread.to_dict("records"), strict=True)
    }


def _raw(
    colours: pd.DataFrame, ids: pd.Series, of_print: NDArray, place: dict[int, str]
) -> tuple[tuple[str, int, str, str], ...]:
    """Every reading as it came, numbered within its print."""
    numbers = pd.Series(of_print).groupby(of_print).cumcount() + 1
    records = colours.to_dict("records")
    return tuple(
        (
            str(print_id),
            int(number),
            place.get(row, f"row {row}"),
            json.dumps({name: cell for name, cell in record.items() if cell.strip()}),
        )
        for row, print_id, number, record in zip(colours.index, ids, numbers, records, strict=True)
    )
