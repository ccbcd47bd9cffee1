"""What kind of shop to invent."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Recipe:
    """A kind of shop. The same recipe with another seed is another shop of that kind."""

    name: str
    ink_system: str = "plastisol"  # or "water_based"
    n_prints: int = 800
    n_inks: int = 26
    n_garments: int = 16  # of these the last `n_unseen_garments` are never printed
    n_unseen_inks: int = 3
    n_unseen_garments: int = 3
    n_few_inks: int = 4
    held_out_rows: int = 130
    presses: tuple[str, ...] = ("P1", "P2", "P3")
    drifting_press: str | None = "P2"
    spectral_press: str | None = "P3"  # exports spectra instead of Lab
    spectral_drawdowns: bool = True
    black_drawdown_missing: int = 0  # inks without a drawdown over black, beside the usual few
    press_columns: bool = True  # press, lot, squeegee, stencil, readings are recorded
    base_on: float = 1.0  # how common underbases are, relative to a plastisol shop
    missing_rate: float = 0.12
    gross_error_rate: float = 0.015
    ink_spread: float = 0.10  # how far inks wander from their formula between seeds


MEDIUM = Recipe("Invented demo shop")
SMALL_LAB_ONLY = Recipe(
    "Invented small shop",
    n_prints=60,
    n_inks=12,
    n_garments=9,
    n_unseen_inks=2,
    n_unseen_garments=2,
    n_few_inks=2,
    presses=("P1",),
    drifting_press=None,
    spectral_press=None,
    spectral_drawdowns=False,
    black_drawdown_missing=4,
    press_columns=False,
)
WATER_BASED = Recipe(
    "Invented water-based shop",
    ink_system="water_based",
    presses=("P1", "P2"),
    base_on=0.25,
)
RECIPES = {"medium": MEDIUM, "small_lab_only": SMALL_LAB_ONLY, "water_based": WATER_BASED}
