"""What is wrong in a real history: rows that mislead, rows that cannot be, cells left empty."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .colour_of import LAB, SPECTRUM, measured_lab
from .heldout import Groups
from .history import SETTINGS
from .recipe import Recipe

RECORDED_WITH_PRESS = ["press_id", "ink_lot", *SETTINGS, "readings"]


def gross_errors(
    prints: pd.DataFrame,
    groups: Groups,
    recipe: Recipe,
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Spoil a share of the rows so that they still look like prints; say which and how.

    Kinds: ``wrong_patch`` (the colour of another print of another ink), ``swapped_ink``
    (another ink written down), ``sign_flip_a``, ``sign_flip_b``, ``L_in_wrong_column``
    (L and a exchanged). Only errors that would show are made: a sign is flipped only where
    the value is above 8, colours or inks are exchanged only between prints 10 apart in Lab.
    """
    prints = prints.copy()
    colour = [c for c in prints if c in LAB or c in SPECTRUM]
    seen = measured_lab(prints)
    known = prints["ink_id"].isin(groups.usual_inks).to_numpy()
    as_lab = prints["L"].notna().to_numpy()
    eligible = {
        "wrong_patch": known,
        "swapped_ink": known,
        "sign_flip_a": known & as_lab & (prints["a"].abs() > 8).to_numpy(),
        "sign_flip_b": known & as_lab & (prints["b"].abs() > 8).to_numpy(),
        # an L above 100 or below 0 would be refused at the door
        "L_in_wrong_column": known
        & as_lab
        & (prints["a"].between(0, 95) & ((prints["L"] - prints["a"]).abs() > 10)).to_numpy(),
    }
    n = max(1, round(recipe.gross_error_rate * len(prints)))
    kinds = np.array(list(eligible))[np.arange(n) % len(eligible)]
    spoilt: dict[int, str] = {}
    original = prints.copy()
    for kind in kinds:
        candidates = np.flatnonzero(eligible[kind])
        candidates = candidates[~np.isin(candidates, list(spoilt))]
        if not candidates.size:
            continue
        row = int(rng.choice(candidates))
        if kind in ("wrong_patch", "swapped_ink"):
            same_form = as_lab == as_lab[row]
            other_ink = (original["ink_id"] != original.loc[row, "ink_id"]).to_numpy()
            apart = np.linalg.norm(seen - seen[row], axis=1) > 10
            pool = np.flatnonzero(known & same_form & other_ink & apart)
            if not pool.size:
                continue
            other = int(rng.choice(pool))
            taken = colour if kind == "wrong_patch" else ["ink_id", "ink_lot"]
            prints.loc[row, taken] = original.loc[other, taken]
        elif kind == "L_in_wrong_column":
            prints.loc[row, ["L", "a"]] = original.loc[row, ["a", "L"]].to_numpy()
        else:
            prints.loc[row, kind[-1]] = -original.loc[row, kind[-1]]
        spoilt[row] = kind
    order = sorted(spoilt)
    return prints, pd.DataFrame(
        {"print_id": prints.loc[order, "print_id"].to_numpy(), "kind": [spoilt[k] for k in order]}
    )


def blank_cells(prints: pd.DataFrame, recipe: Recipe, rng: np.random.Generator) -> pd.DataFrame:
    """Leave cells empty as a busy shop does; what was true stays hidden."""
    prints = prints.copy()
    rate = recipe.missing_rate
    chances = dict.fromkeys(SETTINGS, rate) | {
        "readings": 0.6 * rate,
        "ink_lot": 0.4 * rate,
        "press_id": 0.15 * rate,
        "printed_on": 0.1 * rate,
        "underbase_strokes": 0.25 * rate,
    }
    for column, chance in chances.items():
        empty = rng.random(len(prints)) < chance
        prints[column] = prints[column].where(~empty)
    if not recipe.press_columns:
        prints[RECORDED_WITH_PRESS] = None
    return prints


def impossible_rows(
    prints: pd.DataFrame, rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add a handful of rows that cannot be right, made from good ones; say which and why."""
    source = prints[prints["L"].notna()]
    rows = source.iloc[rng.choice(len(source), size=6, replace=False)].copy()
    serial = prints["print_id"].str[1:].astype(int).max()
    rows["print_id"] = [f"P{90000 + serial + i:05d}" for i in range(len(rows))]
    rows = rows.reset_index(drop=True)
    faults = {
        "L above 100": {"L": 158.4},
        "unknown ink": {"ink_id": "C99"},
        "no strokes": {"strokes": 0},
        "more flashes than strokes allow": {"strokes": 1, "flash_count": 2},
        "date does not exist": {"printed_on": "2025-02-30"},
        "unknown garment": {"substrate_id": "G77"},
    }
    for row, change in enumerate(faults.values()):
        for column, value in change.items():
            rows.loc[row, column] = value
    mixed = pd.concat([prints, rows], ignore_index=True)
    order = np.arange(len(mixed))
    order = np.insert(
        order[: len(prints)], rng.integers(0, len(prints), len(rows)), order[len(prints) :]
    )
    listed = pd.DataFrame({"print_id": rows["print_id"], "kind": list(faults)})
    return mixed.loc[order].reset_index(drop=True), listed
