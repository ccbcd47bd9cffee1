"""How much ink a press lays down, and how it lies: film, strokes, settings, unevenness.

All factors are this invented world's own. They follow what is said of real presses in
kind: mesh geometry decides, a wet second stroke adds little, a stroke after a flash nearly
a full film, press settings act weakly and not always in proportion.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Workings:
    """Constants of one shop's world."""

    transfer_low: float = 0.50  # finest meshes
    transfer_high: float = 0.84  # coarsest meshes
    transfer_turn_um: float = 58.0  # opening half way between the two
    wet_stroke: float = 0.15
    flashed_stroke: float = 0.83
    shore_per_point: float = -0.0045
    angle_per_deg: float = 0.007
    gap_per_mm: float = -0.018
    stencil_share: float = 0.35

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Workings:
        """Another shop's constants."""
        return cls(
            transfer_low=rng.uniform(0.46, 0.58),
            transfer_high=rng.uniform(0.78, 0.88),
            transfer_turn_um=rng.uniform(48, 70),
            wet_stroke=rng.uniform(0.10, 0.20),
            flashed_stroke=rng.uniform(0.76, 0.90),
            shore_per_point=-rng.uniform(0.002, 0.006),
            angle_per_deg=rng.uniform(0.003, 0.010),
            gap_per_mm=-rng.uniform(0.0, 0.03),
            stencil_share=rng.uniform(0.2, 0.5),
        )


# mesh_id, threads per cm, thread diameter um, fabric thickness um, share of the work (0: unused)
MESHES = (
    ("M32-100", 32, 100, 160, 0.0),  # the very coarse one
    ("M43-80", 43, 80, 125, 0.10),
    ("M48-70", 48, 70, 110, 0.0),  # unseen
    ("M61-64", 61, 64, 101, 0.26),
    ("M77-55", 77, 55, 84, 0.30),
    ("M90-48", 90, 48, 73, 0.20),
    ("M100-40", 100, 40, 62, 0.0),  # unseen
    ("M120-34", 120, 34, 53, 0.11),
    ("M140-34", 140, 34, 55, 0.03),
)


def mesh_table() -> pd.DataFrame:
    """True geometry of every mesh: opening, open area, theoretical ink volume (um)."""
    table = pd.DataFrame(
        MESHES, columns=["mesh_id", "threads_per_cm", "thread_um", "fabric_um", "share"]
    )
    table["opening_um"] = 10000 / table["threads_per_cm"] - table["thread_um"]
    pitch = 10000 / table["threads_per_cm"]
    table["open_area_pct"] = 100 * (table["opening_um"] / pitch) ** 2
    table["theoretical_ink_cm3_m2"] = table["open_area_pct"] / 100 * table["fabric_um"]
    return table.set_index("mesh_id")


def dry_film(
    meshes: pd.DataFrame,
    mesh_id: Array,
    strokes: Array,
    flashes: Array,
    solids: Array,
    settings: pd.DataFrame,
    w: Workings,
) -> tuple[Array, Array]:
    """Dry film (m,) in um of all strokes, and of the first stroke alone.

    ``settings`` has the squeegee, off-contact and stencil columns of the print table.
    """
    mesh = meshes.loc[mesh_id]
    opening = mesh["opening_um"].to_numpy()
    volume = mesh["theoretical_ink_cm3_m2"].to_numpy()
    rise = opening**2 / (opening**2 + w.transfer_turn_um**2)
    transfer = w.transfer_low + (w.transfer_high - w.transfer_low) * rise
    fineness = w.transfer_turn_um / opening  # about 0.5 coarse .. 1.6 fine

    shore = settings["squeegee_shore_a"].to_numpy(float) - 70.0
    angle = settings["squeegee_angle_deg"].to_numpy(float) - 15.0
    gap = settings["off_contact_mm"].to_numpy(float) - 2.5
    stencil = settings["eom_um"].to_numpy(float) - 12.0
    # A soft blade bends: the harder it is, the less each point matters; worst on fine mesh.
    blade = w.shore_per_point * (shore - 0.006 * shore * np.abs(shore)) * (0.6 + 0.5 * fineness)
    tilt = w.angle_per_deg * angle * np.exp(-0.02 * shore)
    factor = np.exp(blade + tilt + w.gap_per_mm * (gap + 0.15 * gap**2))
    first = (volume * transfer * factor + w.stencil_share * stencil) * solids
    wet = np.maximum(strokes - 1 - flashes, 0)
    more = w.wet_stroke * wet**0.7 * (0.8 + 0.3 * fineness) + w.flashed_stroke * flashes**0.95
    return first * (1.0 + more), first


def evenness(meshes: pd.DataFrame, mesh_id: Array, fibre: Array, on_base: Array) -> Array:
    """Standard deviation of log film over the print (m,): wide on bare cloth and coarse mesh."""
    opening = meshes.loc[mesh_id, "opening_um"].to_numpy()
    yarn = pd.Series(fibre).map({"cotton": 0.34, "blend": 0.30, "polyester": 0.22}).to_numpy()
    coarse = 0.10 * opening / 150.0
    return np.where(on_base, 0.09 + coarse, yarn + coarse)


def cloth_under(
    reflectance: Array,
    wet: Array,
    sunk_a: Array,
    sunk_s: Array,
    discharged: Array,
) -> Array:
    """Internal reflectance (m, 31) of cloth wetted and tinted by ink.

    Similarity relation of a deep scatterer, R(s) = (1-s)(1-0.139 s)/(1+1.17 s) with
    s^2 = absorption / (absorption + reduced scattering) (van de Hulst 1980; from memory).
    Wetting takes scattering away (``wet`` share), sunken ink adds its own absorption
    ``sunk_a`` and reduced scattering ``sunk_s``, discharging takes dye away.
    Scattering of the dry cloth is the unit.
    """
    # Solve (1-s)(1-0.139s) = R(1+1.17s) for s.
    b = 1.139 + 1.17 * reflectance
    s = (b - np.sqrt(b**2 - 4 * 0.139 * (1 - reflectance))) / (2 * 0.139)
    absorbing = s**2 / (1 - s**2) * (1 - discharged[:, None]) + sunk_a
    scattering = (1 - wet)[:, None] + sunk_s
    s = np.sqrt(absorbing / (absorbing + scattering))
    return (1 - s) * (1 - 0.139 * s) / (1 + 1.17 * s)
