"""The published check tables, and real overprints dressed as shops."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from learn.colour.colorimetry import WAVELENGTHS_NM, lab_from_reflectance, viewing
from learn.physics.deposit import complete_meshes
from learn.process import SETTING_COLUMNS
from learn.shop import SETUP_COLUMNS, Shop, ShopSettings

PUBLISHED = Path(__file__).parent.parent / "datasets" / "published"
LAB = ["L", "a", "b"]
SPECTRUM = [f"r{nm:.0f}" for nm in WAVELENGTHS_NM]
FAMILIES = ("red", "yellow", "green", "blue")  # quarters of the hue circle about 0, 90 ... deg
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
    family_holdout: str | None = None,
    held_out_share: float = 1 / 3,
    seed: int = 0,
) -> Trial:
    """Solid C, M and Y over about 195 measured backings each, Lab only, as a shop.

    The patches without the ink are its substrates; paper and solid black are the two cards
    of its drawdowns, and not among the prints. A random share of the backings is held out
    with every print on them, or with `ink_holdout` ("C", "M" or "Y") every print of that ink and
    nothing else, or with `family_holdout` (of `FAMILIES`) every print on a backing of that
    colour. `paper` is "coated" or "uncoated".
    """
    pairs = table(f"{paper}_backings")
    cards = pairs["backing_id"].isin([PAPER, SOLID_BLACK]).to_numpy()
    readings = {end: _lab_readings(pairs, end) for end in ("back", "print")}
    family = families(pairs[[f"back_{axis}" for axis in LAB]].to_numpy(float))
    return _trial(
        f"{paper} offset",
        pairs,
        cards,
        readings,
        _kept_back(pairs, family, ink_holdout, family_holdout, held_out_share, seed),
    )


def proof_shop(
    ink_holdout: str | None = None,
    *,
    family_holdout: str | None = None,
    held_out_share: float = 1 / 3,
    seed: int = 0,
) -> Trial:
    """The same of a press proof by spectra: solid C, M and Y over 90 to 178 backings each.

    Every backing is printed once, so each held-out print lies on a backing never printed.
    Cards are each ink's brightest and darkest backing.
    """
    pairs = table("proof_backings")
    nominal = pairs[list("CMYK")]
    pairs["backing_id"] = ["c{}m{}y{}k{}".format(*row) for row in nominal.to_numpy()]
    readings = {end: _spectra(pairs, end) for end in ("back", "print")}
    brightness = readings["back"][SPECTRUM].mean(axis=1).groupby(pairs["ink"])
    cards = pairs.index.isin([*brightness.idxmin(), *brightness.idxmax()])
    lab = lab_from_reflectance(readings["back"][SPECTRUM].to_numpy(), viewing("D50", "2"))
    return _trial(
        "press proof",
        pairs,
        cards,
        readings,
        _kept_back(pairs, families(lab), ink_holdout, family_holdout, held_out_share, seed),
    )


def families(lab: np.ndarray) -> np.ndarray:
    """Colour family (n,) of each Lab (n, 3), one of `FAMILIES` or "grey" (chroma below 15)."""
    hue = np.degrees(np.arctan2(lab[:, 2], lab[:, 1]))
    sector = ((hue + 45) // 90).astype(int) % 4
    return np.where(np.hypot(lab[:, 1], lab[:, 2]) < 15, "grey", np.array(FAMILIES)[sector])


def _kept_back(
    pairs: pd.DataFrame,
    family: np.ndarray,
    ink: str | None,
    family_holdout: str | None,
    share: float,
    seed: int,
) -> np.ndarray:
    """Mask of the pairs whose print is held out."""
    if ink is not None:
        return (pairs["ink"] == ink).to_numpy()
    if family_holdout is not None:
        return family == family_holdout
    backing, names = pd.factorize(pairs["backing_id"])
    return (np.random.default_rng(seed).random(len(names)) < share)[backing]


def _trial(
    name: str,
    pairs: pd.DataFrame,
    cards: np.ndarray,
    readings: dict[str, pd.DataFrame],
    kept_back: np.ndarray,
) -> Trial:
    """Pairs of backing and print as a shop; those of `cards` are its drawdowns."""
    own = ~pairs["backing_id"].duplicated()
    on_card = pairs["backing_id"].isin(pairs["backing_id"][cards])
    substrates = pd.DataFrame(
        {
            "substrate_id": pairs["backing_id"],
            "kind": np.where(on_card, "card", "garment"),
            "fibre": "paper",
            "colour_name": pairs["backing_id"],
        }
    ).join(readings["back"])[own]
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
            "ink_lot": None,
        }
    ).join(readings["print"])[cards]
    prints = _prints(pairs).join(readings["print"])
    shop = Shop(
        settings=ShopSettings(name=name),
        inks=inks,
        substrates=substrates.reset_index(drop=True),
        meshes=meshes,
        drawdowns=drawdowns.reset_index(drop=True),
        prints=prints[~cards & ~kept_back].reset_index(drop=True),
    )
    return Trial(shop, prints[~cards & kept_back].reset_index(drop=True))


def _lab_readings(pairs: pd.DataFrame, end: str) -> pd.DataFrame:
    lab = pairs[[f"{end}_{axis}" for axis in LAB]].set_axis(LAB, axis=1)
    return lab.reindex(columns=[*SPECTRUM, *LAB])


def _spectra(pairs: pd.DataFrame, end: str) -> pd.DataFrame:
    spectra = pairs[[f"{end}_{name}" for name in SPECTRUM]].set_axis(SPECTRUM, axis=1)
    return spectra.reindex(columns=[*SPECTRUM, *LAB])


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
        **dict.fromkeys(SETTING_COLUMNS, np.nan),
    }
    columns = {name: known.get(name) for name in ["print_id", *SETUP_COLUMNS]}
    prints = pd.DataFrame(columns, index=pairs.index)
    prints["printed_on"] = pd.to_datetime(prints["printed_on"])
    return prints
