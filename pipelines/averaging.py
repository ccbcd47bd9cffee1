"""Repeated readings of a print: averaged, counted, and how far they lie apart kept."""

from __future__ import annotations

import json
from typing import NamedTuple

import numpy as np
import pandas as pd

from learn.colorimetry import Viewing, delta_e00
from learn.inks import lab_columns
from pipelines.cells import shown
from pipelines.problems import Problem
from pipelines.spectra import wavelength_nm

# Readings of one print that lie further than this from their mean are told: more than the
# unevenness of a print, common practice, no source.
UNEVEN_DE00 = 3.0


class Averaged(NamedTuple):
    """``cells``: one row a print, with the row of its first reading; the rest by that row."""

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
    colour = [name for name in cells if name in ("L", "a", "b") or wavelength_nm(name)]
    ids = cells["print_id"].str.strip()
    bad = {fault.row for fault in faulty}
    lab = pd.DataFrame(lab_columns(typed, viewing), index=cells.index, columns=["L", "a", "b"])
    kept, readings, spreads, faults, said = [], [], {}, {}, []
    by_print = cells.index.to_series().groupby(ids.where(ids != "", cells.index.map(str)))
    if "readings" not in cells:
        cells = cells.assign(readings="")
    for print_id, group in by_print:
        rows = [int(row) for row in group]
        first = rows[0]
        cell = cells.loc[first].copy()
        for number, row in enumerate(rows, start=1):
            raw = {name: cells.loc[row, name] for name in colour if cells.loc[row, name].strip()}
            readings.append((str(print_id), number, place.get(row, f"row {row}"), json.dumps(raw)))
        if len(rows) > 1:
            other = _contradiction(cells.loc[rows].drop(columns=[*colour, "readings"]))
            good = [row for row in rows if row not in bad]
            if other is not None:
                row, column = other
                says = f"{shown(cells.loc[row, column])} in {place.get(row, f'row {row}')}"
                faults[first] = f"{column}: {shown(cell[column])}, but {says} of the same print"
            elif good:
                if left := len(rows) - len(good):
                    said.append(f"{print_id}: {left} of {len(rows)} readings cannot be right; left"
                                " out of the mean.")  # fmt: skip
                if first not in good:
                    first = good[0]
                    cell = cells.loc[first].copy()
                cell[colour] = _mean(cells.loc[good, colour])
                cell["readings"] = str(int(typed.loc[good, "readings"].fillna(1).sum()))
                spreads[first] = _spread(lab.loc[good].to_numpy())
                far = json.loads(spreads[first])["furthest_dE00"]
                if far > UNEVEN_DE00:
                    said.append(
                        f"{print_id}: its {len(good)} readings lie up to {far:.1f} dE00 from "
                        "their mean; is one of them of another patch?"
                    )
        kept.append(cell.rename(first))
    averaged = pd.DataFrame(kept, columns=cells.columns, dtype=object).sort_index()
    return Averaged(averaged, tuple(readings), spreads, faults, said)


def _contradiction(cells: pd.DataFrame) -> tuple[int, str] | None:
    plain = cells.apply(lambda column: column.str.strip())
    differs = plain.ne(plain.iloc[0])
    for column in plain:
        if differs[column].any():
            return int(differs.index[differs[column]][0]), str(column)
    return None


def _mean(cells: pd.DataFrame) -> pd.Series:
    """Means as text, over the rows that fill the most columns (a spectrum beats Lab alone)."""
    plain = cells.apply(lambda column: column.str.replace("\N{MINUS SIGN}", "-"))
    numbers = plain.apply(pd.to_numeric, errors="coerce").astype(float)
    filled = numbers.notna()
    most = filled.loc[filled.sum(axis=1).idxmax()]
    means = numbers[(filled == most).all(axis=1)].mean()
    text = ["" if np.isnan(mean) else f"{mean:.6g}" for mean in means]
    return pd.Series(text, index=cells.columns, dtype=object)


def _spread(lab: np.ndarray) -> str:
    sd = lab.std(axis=0, ddof=1) if len(lab) > 1 else np.zeros(3)
    furthest = float(delta_e00(lab, np.broadcast_to(lab.mean(axis=0), lab.shape)).max())
    names = ("readings", "L_sd", "a_sd", "b_sd", "furthest_dE00")
    numbers = (len(lab), *(round(float(s), 4) for s in sd), round(furthest, 3))
    return json.dumps(dict(zip(names, numbers, strict=True)))
