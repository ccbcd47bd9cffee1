"""An invented shop's tables, as the shop would hand them over, with held-out truth beside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from . import heldout, materials
from .colour_of import LAB, SPECTRUM, lab_of
from .faults import blank_cells, gross_errors, impossible_rows
from .history import PRINT_COLUMNS, draw_setups
from .recipe import Recipe
from .world import (
    JOB_FILM_SD,
    PRINT_FILM_SD,
    PRINT_HAZE_SD,
    World,
    generator,
    read_lab,
    read_spectrum,
)

Array = NDArray[np.float64]
TRUE_LAB = ["true_L", "true_a", "true_b"]


@dataclass(frozen=True)
class GeneratedShop:
    """Tables with the columns of the CSV files; empty cells are None or NaN.

    ``prints.printed_on`` is text (one row holds a date that does not exist) and
    ``drawdowns.film_um`` holds numbers and the word ``bucket``. ``heldout`` maps a kind to
    prints with a measured colour and ``true_L, true_a, true_b``, the colour without noise of
    instrument, print and job. ``gross_errors`` and ``impossible_rows`` name the rows of
    ``prints`` that were spoilt (``print_id``, ``kind``).
    """

    settings: dict[str, object]
    inks: pd.DataFrame
    substrates: pd.DataFrame
    meshes: pd.DataFrame
    drawdowns: pd.DataFrame
    prints: pd.DataFrame
    heldout: dict[str, pd.DataFrame]
    gross_errors: pd.DataFrame
    impossible_rows: pd.DataFrame
    next_week: pd.DataFrame


def make_shop(recipe: Recipe, seed: int) -> GeneratedShop:
    """Invent a shop. The same recipe and seed give the same tables."""
    world = World(recipe, seed)
    groups = heldout.split_inks_and_garments(world)
    rng = generator(seed, "history")
    spoken_for = recipe.n_prints + recipe.held_out_rows
    setups = draw_setups(
        world, rng, spoken_for, inks=groups.usual_inks, garments=groups.usual_garments
    )
    setups = heldout.give_few_prints(world, setups, groups, rng)
    spectra = _printed(world, setups, rng)
    setups.insert(0, "print_id", [f"P{i + 1:05d}" for i in range(len(setups))])
    spectral = setups["press_id"] == recipe.spectral_press
    prints = _measured(setups, spectra, spectral.to_numpy(), rng)

    kept_back = heldout.whole_jobs(setups, groups, recipe.held_out_rows, rng)
    history = prints[~kept_back].reset_index(drop=True)
    faults = generator(seed, "faults")
    history, wrong = gross_errors(history, groups, recipe, faults)
    history = blank_cells(history, recipe, faults)
    history, impossible = impossible_rows(history, faults)

    held: dict[str, pd.DataFrame] = {}
    for kind, frame in heldout.setups_by_kind(world, groups, setups[kept_back]).items():
        rng_kind = generator(seed, "heldout " + kind)
        frame = frame.reset_index(drop=True)
        if "print_id" not in frame:
            frame.insert(0, "print_id", [f"{kind}-{i + 1:03d}" for i in range(len(frame))])
        noisy = _printed(world, frame, rng_kind)
        table = _measured(frame, noisy, np.zeros(len(frame), bool), rng_kind)
        table[TRUE_LAB] = np.round(lab_of(world.reflectance(frame)), 3)
        if "far_kind" in frame:
            table["far_kind"] = frame["far_kind"]
        held[kind] = blank_cells(table.drop(columns=SPECTRUM), recipe, rng_kind)
    if recipe.spectral_press is None:
        history = history.drop(columns=SPECTRUM)
    return GeneratedShop(
        settings={
            "name": recipe.name,
            "illuminant": "D50",
            "observer": "2",
            "tolerance_dE00": 2.0,
            "confidence": 0.90,
            "cost_test_print": 35.0,
            "cost_spoiled_print": 260.0,
            "repeatability_dE00": 0.15,
        },
        inks=_ink_table(world),
        substrates=_substrate_table(world),
        meshes=_mesh_table(world),
        drawdowns=_drawdowns(world, groups),
        prints=history,
        heldout=held,
        gross_errors=wrong,
        impossible_rows=impossible,
        next_week=heldout.next_week(world, groups),
    )


def _printed(world: World, setups: pd.DataFrame, rng: np.random.Generator) -> Array:
    """Spectra off the press: every job has its film error, every print its own."""
    code, jobs = pd.factorize(setups["job_id"])
    errors = []
    for _ in ("top", "base"):
        of_job = JOB_FILM_SD * rng.normal(size=len(jobs))
        errors.append(of_job[code] + PRINT_FILM_SD * rng.normal(size=len(setups)))
    rough = PRINT_HAZE_SD * rng.normal(size=(len(setups), 1))
    return world.reflectance(setups, *errors) + rough


def _measured(
    setups: pd.DataFrame, spectra: Array, spectral: NDArray[np.bool_], rng: np.random.Generator
) -> pd.DataFrame:
    """Print table; rows of the spectral instrument carry a spectrum, the others Lab."""
    table = setups[PRINT_COLUMNS].copy()
    readings = setups["readings"].to_numpy(float)
    lab = read_lab(spectra, readings, rng)
    measured = read_spectrum(spectra, readings, rng)
    table[LAB] = np.where(spectral[:, None], np.nan, lab)
    spectra_columns = pd.DataFrame(
        np.where(spectral[:, None], measured, np.nan), columns=SPECTRUM, index=table.index
    )
    return pd.concat([table, spectra_columns], axis=1)


def _ink_table(world: World) -> pd.DataFrame:
    rng = generator(world.seed, "ink table")
    table = pd.DataFrame(
        {
            "ink_id": list(world.inks),
            "ink_name": [i.name for i in world.inks.values()],
            "ink_type": [i.ink_type for i in world.inks.values()],
            "role": [i.role for i in world.inks.values()],
            "solids_vol_pct": [round(100 * i.solids) for i in world.inks.values()],
        }
    )
    table["solids_vol_pct"] = table["solids_vol_pct"].astype(float)
    table.loc[rng.integers(0, len(table) - 2), "solids_vol_pct"] = np.nan
    return table


def _substrate_table(world: World) -> pd.DataFrame:
    rng = generator(world.seed, "substrate table")
    rows = [(k, "garment", c.fibre, c.name, c.reflectance) for k, c in world.cloths.items()]
    rows.append(("WCARD", "card", "paper", "White card", materials.WHITE_CARD))
    rows.append(("KCARD", "card", "paper", "Black card", materials.BLACK_CARD))
    spectra = np.stack([r[-1] for r in rows])
    lab_only = not world.recipe.spectral_drawdowns
    table = pd.DataFrame(
        [r[:4] for r in rows], columns=["substrate_id", "kind", "fibre", "colour_name"]
    )
    return _with_colour(table, spectra, np.full(len(rows), 5.0), np.full(len(rows), lab_only), rng)


def _mesh_table(world: World) -> pd.DataFrame:
    """As a mesh maker's sheet: rounded, some cells not filled in."""
    table = world.meshes.drop(columns="share").reset_index()
    columns = [
        "mesh_id",
        "threads_per_cm",
        "thread_um",
        "opening_um",
        "open_area_pct",
        "fabric_um",
        "theoretical_ink_cm3_m2",
    ]
    table = table[columns].round({"opening_um": 0, "open_area_pct": 1, "theoretical_ink_cm3_m2": 1})
    table["fabric_um"] = table["fabric_um"].astype(float)
    table.loc[2, ["opening_um", "open_area_pct", "theoretical_ink_cm3_m2"]] = np.nan
    table.loc[5, ["theoretical_ink_cm3_m2"]] = np.nan
    table.loc[6, ["opening_um", "open_area_pct"]] = np.nan
    return table


def _drawdowns(world: World, groups: heldout.Groups) -> pd.DataFrame:
    """Inks over white and black card; a few by Lab only, on one card only, or not at all."""
    rng = generator(world.seed, "drawdowns")
    recipe = world.recipe
    usual = rng.permutation(list(groups.usual_inks))
    lab_only, single, none = set(usual[:3]), set(usual[3:5]), set(usual[5:6])
    no_black = single | set(usual[6 : 6 + recipe.black_drawdown_missing])
    one_film = set(usual[6:]) & set(rng.choice(usual, size=len(usual) // 3, replace=False))
    wells = set(rng.choice(usual[6:], size=min(6, len(usual) // 3, len(usual[6:])), replace=False))
    watery = recipe.ink_system == "water_based"
    rows, spectra, as_lab = [], [], []
    for ink_id in world.inks:
        if ink_id in none:
            continue
        films = [10.0, 25.0] if watery else [25.0, 60.0]
        if ink_id in single or ink_id in one_film:
            films = films[:1]
        cards = {"WCARD": materials.WHITE_CARD, "KCARD": materials.BLACK_CARD}
        if ink_id in no_black:
            cards.pop("KCARD")
        for card_id, card in cards.items():
            laid = np.array(films) * np.exp(0.025 * rng.normal(size=len(films)))
            spectra.extend(world.card(ink_id, laid, card))
            rows.extend((ink_id, card_id, f"{film:g}") for film in films)
        if ink_id in wells:
            spectra.append(world.bucket(ink_id))
            rows.append((ink_id, "WCARD", "bucket"))
        lab = ink_id in lab_only or not recipe.spectral_drawdowns
        as_lab.extend([lab] * (len(rows) - len(as_lab)))
    table = pd.DataFrame(rows, columns=["ink_id", "substrate_id", "film_um"])
    return _with_colour(table, np.stack(spectra), np.full(len(rows), 3.0), np.array(as_lab), rng)


def _with_colour(
    table: pd.DataFrame,
    spectra: Array,
    readings: Array,
    as_lab: NDArray[np.bool_],
    rng: np.random.Generator,
) -> pd.DataFrame:
    measured = read_spectrum(spectra, readings, rng)
    lab = read_lab(spectra, readings, rng)
    if as_lab.any():
        table[LAB] = np.where(as_lab[:, None], lab, np.nan)
    if not as_lab.all():
        table[SPECTRUM] = np.where(as_lab[:, None], np.nan, measured)
    return table
