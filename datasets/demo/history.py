"""What a shop prints: jobs with their garments, inks, screens and settings."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .world import FIRST_DAY, HISTORY_DAYS, World

# Usual value first, then what else is on the rack; chance of leaving the usual.
SETTINGS: dict[str, tuple[float, tuple[float, ...], float]] = {
    "squeegee_shore_a": (70, (60, 65, 75, 80), 0.40),
    "squeegee_angle_deg": (15, (8, 10, 20, 25), 0.30),
    "off_contact_mm": (2.5, (1.5, 2.0, 3.0, 3.5), 0.30),
    "eom_um": (12, (6, 9, 15, 20), 0.40),
}
PRINT_COLUMNS = [
    "print_id",
    "printed_on",
    "job_id",
    "press_id",
    "substrate_id",
    "underbase_ink_id",
    "underbase_mesh_id",
    "underbase_strokes",
    "ink_id",
    "ink_lot",
    "mesh_id",
    "strokes",
    "flash_count",
    *SETTINGS,
    "readings",
]


def draw_setups(
    world: World,
    rng: np.random.Generator,
    n: int,
    *,
    inks: dict[str, float],
    garments: dict[str, float],
    days: tuple[int, int] = (0, HISTORY_DAYS),
    job_prefix: str = "J",
) -> pd.DataFrame:
    """``n`` complete set-ups in whole jobs, as the shop would print them, in date order.

    ``inks`` and ``garments`` give the share of each. Beside the print columns the frame has
    ``day`` and ``lot_index``.
    """
    sizes = np.minimum(1 + rng.poisson(1.7, size=n), 7)
    n_jobs = int(np.searchsorted(np.cumsum(sizes), n)) + 1
    job = np.repeat(np.arange(n_jobs), sizes[:n_jobs])[:n]

    def choose(options: dict, size: int) -> np.ndarray:
        weight = np.array(list(options.values()), float)
        return rng.choice(np.array(list(options)), size=size, p=weight / weight.sum())

    week = np.sort(rng.integers(*days, size=n_jobs))
    day = np.minimum(week // 7 * 7 + rng.integers(0, 5, size=n_jobs), days[1] - 1)
    day = np.sort(np.maximum(day, days[0]))
    presses = dict(zip(world.recipe.presses, (0.45, 0.35, 0.20), strict=False))
    job_frame = pd.DataFrame(
        {
            "job_id": [f"{job_prefix}{i + 1:05d}" for i in range(n_jobs)],
            "day": day,
            "press_id": choose(presses, n_jobs),
            "garment": choose(garments, n_jobs),
            "wants_base": rng.random(n_jobs),
            "underbase_ink_id": choose({"U1": 0.8, "U2": 0.2}, n_jobs),
            "underbase_mesh_id": choose({"M43-80": 0.45, "M61-64": 0.45, "M77-55": 0.1}, n_jobs),
            "underbase_strokes": choose({1: 0.45, 2: 0.55}, n_jobs),
        }
    )
    for name, (usual, others, chance) in SETTINGS.items():
        other = rng.choice(np.array(others), size=n_jobs)
        job_frame[name] = np.where(rng.random(n_jobs) < chance, other, usual)
    frame = job_frame.loc[job].reset_index(drop=True)

    own = frame.pop("garment").to_numpy()
    frame["substrate_id"] = np.where(rng.random(n) < 0.75, own, choose(garments, n))
    lightness = frame["substrate_id"].map(
        {k: c.reflectance[5:25].mean() for k, c in world.cloths.items()}
    )
    chance = np.select([lightness > 0.6, lightness > 0.25], [0.42, 0.6], 0.92)
    based = frame.pop("wants_base").to_numpy() < chance * world.recipe.base_on
    frame.loc[~based, ["underbase_ink_id", "underbase_mesh_id"]] = None
    frame["underbase_strokes"] = frame["underbase_strokes"].where(based)

    frame["ink_id"] = choose(inks, n)
    used = world.meshes.loc[world.meshes["share"] > 0, "share"]
    frame["mesh_id"] = choose(used.to_dict(), n)
    pattern = choose({0: 0.53, 1: 0.26, 2: 0.18, 3: 0.03}, n)
    frame["strokes"] = np.array([1, 2, 2, 3])[pattern]
    frame["flash_count"] = np.array([0, 0, 1, 0])[pattern]
    frame["readings"] = choose({1: 0.25, 2: 0.15, 3: 0.45, 5: 0.15}, n)
    return finish(world, frame)


def finish(world: World, frame: pd.DataFrame) -> pd.DataFrame:
    """Fill what follows from ink and day: the lot and the date."""
    frame = frame.copy()
    lot = np.zeros(len(frame), int)
    for ink_id, rows in frame.groupby("ink_id").indices.items():
        lot[rows] = world.inks[ink_id].lot_on(frame["day"].to_numpy()[rows])
    frame["lot_index"] = lot
    frame["ink_lot"] = [f"{i}-L{k + 1:02d}" for i, k in zip(frame["ink_id"], lot, strict=True)]
    when = FIRST_DAY + pd.to_timedelta(frame["day"], unit="D")
    frame["printed_on"] = when.dt.strftime("%Y-%m-%d")
    return frame
