"""The published check tables, and a real offset table dressed as a shop of Lab readings."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from learn.colorimetry import WAVELENGTHS_NM
from learn.deposit import complete_meshes
from learn.shop import PROCESS_NUMBERS, SETUP_COLUMNS, Shop, ShopSettings

PUBLISHED = Path(__file__).parent.parent / "datasets" / "published"
LAB = ["L", "a", "b"]
SPECTRUM = [f"r{nm:.0f}" for nm in WAVELENGTHS_NM]
PAPER, SOLID_BLACK = "c0m0y0k0", "c0m0y0k100"

# A stand-in for the offset press, whose real film is near 1 um: K and S are fitted per um,
# so only film x K and film x S count, and a film of screen-print size keeps them where a
# garment ink has them. The mesh is the published 90/cm row with 40 um thread, whose
# 25 cm3/m2 lay about 16 um of dry film at a transfer of 0.65 and 100 % solids.
FILM_UM = 16.0


def table(name: str) -> pd.DataFrame:
    """One check table of datasets/published, without ending."""
    return pd.read_csv(PUBLISHED / f"{name}.csv")


def spectra_380_730(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Wavelengths (36,) and spectra (n, 36) of the r380 .. r730 columns."""
    columns = frame.columns[frame.columns.str.fullmatch(r"r\d{3}")]
    return columns.str[1:].astype(float).to_numpy(), frame[columns].to_numpy(float)


class Trial(NamedTuple):
    """A shop that has seen part of the table, and the prints kept from it."""

    shop: Shop
    held_out: pd.DataFrame


def coated_shop(
    ink_holdout: str | None = None,
    *,
    paper: str = "coated",
    held_out_share: float = 1 / 3,
    seed: int = 0,
) -> Trial:
    """Solid C, M and Y over about 195 measured backings each, Lab only, as a shop.

    The patches without the ink are its substrates; paper and solid black are the two cards
    of its drawdowns, and not among the prints. A random share of the prints is held out, or
    with `ink_holdout` ("C", "M" or "Y") every print of that ink and nothing else. `paper`
    is "coated" or "uncoated".
    """
    pairs = table(f"{paper}_backings")
    cards = pairs["backing_id"].isin([PAPER, SOLID_BLACK])
    backings = pairs.drop_duplicates("backing_id")
    substrates = pd.DataFrame(
        {
            "substrate_id": backings["backing_id"],
            "kind": np.where(backings["backing_id"].isin([PAPER, SOLID_BLACK]), "card", "garment"),
            "fibre": "paper",
            "colour_name": backings["backing_id"],
        }
    ).join(_readings(backings, "back"))
    inks = pd.DataFrame(
        {
            "ink_id": list("CMY"),
            "ink_name": ["cyan", "magenta", "yellow"],
            "ink_type": "plastisol",
            "role": "colour",
            "solids_vol_pct": 100.0,
        }
    )
    meshes = complete_meshes(
        pd.DataFrame(
            {
                "mesh_id": ["90-40"],
                "threads_per_cm": [90.0],
                "thread_um": [40.0],
                "opening_um": [73.0],
                "open_area_pct": [42.0],
                "fabric_um": [59.0],
                "theoretical_ink_cm3_m2": [25.0],
            }
        )
    )
    drawdowns = pd.DataFrame(
        {
            "ink_id": pairs["ink"],
            "substrate_id": pairs["backing_id"],
            "film_um": FILM_UM,
        }
    ).join(_readings(pairs, "print"))[cards]
    prints = _prints(pairs[~cards].reset_index(drop=True))
    if ink_holdout is not None:
        kept_back = (prints["ink_id"] == ink_holdout).to_numpy()
    else:
        kept_back = np.random.default_rng(seed).random(len(prints)) < held_out_share
    shop = Shop(
        settings=ShopSettings(name=f"{paper} offset"),
        inks=inks,
        substrates=substrates.reset_index(drop=True),
        meshes=meshes,
        drawdowns=drawdowns.reset_index(drop=True),
        prints=prints[~kept_back].reset_index(drop=True),
    )
    return Trial(shop, prints[kept_back].reset_index(drop=True))


def _readings(pairs: pd.DataFrame, end: str) -> pd.DataFrame:
    lab = pairs[[f"{end}_{axis}" for axis in LAB]].set_axis(LAB, axis=1)
    return lab.reindex(columns=[*SPECTRUM, *LAB])


def _prints(pairs: pd.DataFrame) -> pd.DataFrame:
    known = {
        "print_id": pairs["ink"] + " on " + pairs["backing_id"],
        "printed_on": pd.NaT,
        "substrate_id": pairs["backing_id"],
        "ink_id": pairs["ink"],
        "mesh_id": "90-40",
        "underbase_strokes": np.nan,
        "strokes": 1.0,
        "flash_count": 0.0,
        "readings": 1.0,
        **dict.fromkeys(PROCESS_NUMBERS, np.nan),
    }
    columns = {name: known.get(name) for name in ["print_id", *SETUP_COLUMNS]}
    prints = pd.DataFrame(columns, index=pairs.index)
    prints["printed_on"] = pd.to_datetime(prints["printed_on"])
    return prints.join(_readings(pairs, "print"))
