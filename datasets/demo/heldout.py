"""Prints the history does not hold: each kind asks the model another question."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .colour_of import lab_of
from .history import PRINT_COLUMNS, draw_setups, finish
from .world import LATER_DAYS, World, generator

Array = NDArray[np.float64]
UNSEEN_MESHES = ("M48-70", "M100-40")
VERY_COARSE_MESH = "M32-100"


@dataclass(frozen=True)
class Groups:
    """Which inks and garments the history holds (with shares), rarely holds, never holds."""

    usual_inks: dict[str, float]
    few_inks: list[str]
    unseen_inks: list[str]
    usual_garments: dict[str, float]
    unseen_garments: list[str]


def split_inks_and_garments(world: World) -> Groups:
    """Draw the groups of one shop."""
    rng = generator(world.seed, "groups")
    r = world.recipe
    share = {k: v.share for k, v in world.inks.items() if v.role == "colour"}
    # What is ordered often is seldom the ink one knows little about.
    odds = 1.0 / np.array(list(share.values()))
    order = list(rng.choice(list(share), size=len(share), replace=False, p=odds / odds.sum()))
    unseen = sorted(order[: r.n_unseen_inks])
    few = sorted(order[r.n_unseen_inks : r.n_unseen_inks + r.n_few_inks])
    usual = sorted(set(order) - set(unseen) - set(few))
    cloths = list(world.cloths)
    known = cloths[: len(cloths) - r.n_unseen_garments]
    return Groups(
        {k: share[k] * float(np.exp(0.5 * rng.normal())) for k in usual},
        few,
        unseen,
        {k: world.cloths[k].share for k in known},
        cloths[len(known) :],
    )


def give_few_prints(
    world: World, setups: pd.DataFrame, groups: Groups, rng: np.random.Generator
) -> pd.DataFrame:
    """Hand one to three prints of the history to each rarely used ink."""
    counts = 1 + np.arange(len(groups.few_inks)) % 3
    names = np.repeat(groups.few_inks, counts)
    rows = rng.choice(len(setups), size=len(names), replace=False)
    setups = setups.copy()
    setups.loc[rows, "ink_id"] = names
    return finish(world, setups)


def whole_jobs(
    setups: pd.DataFrame, groups: Groups, rows: int, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Mask of random whole jobs, about ``rows`` prints; jobs with a rare ink stay."""
    rare = setups.loc[setups["ink_id"].isin(groups.few_inks), "job_id"]
    sizes = setups[~setups["job_id"].isin(rare)].groupby("job_id").size()
    order = rng.permutation(len(sizes))
    last = int(np.searchsorted(np.cumsum(sizes.to_numpy()[order]), rows)) + 1
    return setups["job_id"].isin(sizes.index[order[:last]]).to_numpy()


def setups_by_kind(
    world: World, groups: Groups, next_prints: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """Complete set-ups of every held-out kind."""
    n = world.recipe.held_out_rows

    def drawn(kind: str, **changed: object) -> pd.DataFrame:
        arguments = {"inks": groups.usual_inks, "garments": groups.usual_garments} | changed
        rng = generator(world.seed, "set-ups " + kind)
        return draw_setups(world, rng, n, job_prefix=f"{kind}-J", **arguments)

    def even(names: list[str]) -> dict[str, float]:
        return dict.fromkeys(names, 1.0)

    frames = {
        "next_prints": next_prints,
        "unseen_ink": drawn("unseen_ink", inks=even(groups.unseen_inks)),
        "unseen_garment": drawn("unseen_garment", garments=even(groups.unseen_garments)),
        "unseen_mesh": drawn("unseen_mesh"),
        "few_prints": drawn("few_prints", inks=even(groups.few_inks)),
        "later_period": drawn("later_period", days=LATER_DAYS),
        "far": drawn("far"),
    }
    mesh_rng = generator(world.seed, "unseen meshes")
    frames["unseen_mesh"]["mesh_id"] = mesh_rng.choice(UNSEEN_MESHES, size=n)
    frames["far"] = _far(frames["far"], groups)
    return {
        kind: frame if kind == "next_prints" else finish(world, frame)
        for kind, frame in frames.items()
    }


def _far(frame: pd.DataFrame, groups: Groups) -> pd.DataFrame:
    """Push ordinary set-ups far outside the history, five ways in turn."""
    changes: dict[str, dict[str, object]] = {
        "fine_mesh_hard_blade_new_press": {
            "mesh_id": "M140-34",
            "squeegee_shore_a": 90.0,
            "squeegee_angle_deg": 8.0,
            "press_id": "P9",
        },
        "thick_film": {"mesh_id": "M43-80", "strokes": 3, "flash_count": 2},
        "very_coarse_mesh": {"mesh_id": VERY_COARSE_MESH},
        "soft_blade_low_angle_thick_stencil": {
            "squeegee_shore_a": 50.0,
            "squeegee_angle_deg": 35.0,
            "eom_um": 40.0,
        },
        "unseen_ink_garment_and_mesh": {"mesh_id": UNSEEN_MESHES[1]},
    }
    frame = frame.copy()
    # one kind a job, so that a job stays what a job is
    turn = pd.factorize(frame["job_id"])[0] % len(changes)
    frame["far_kind"] = np.array(list(changes))[turn]
    for k, change in enumerate(changes.values()):
        for column, value in change.items():
            frame.loc[turn == k, column] = value
    new = np.flatnonzero(turn == len(changes) - 1)
    frame.loc[new, "ink_id"] = np.resize(groups.unseen_inks, new.size)
    frame.loc[new, "substrate_id"] = np.resize(groups.unseen_garments, new.size)
    return frame


def next_week(world: World, groups: Groups, n: int = 24) -> pd.DataFrame:
    """Set-ups to predict; about half with a target, some of which cannot be reached."""
    rng = generator(world.seed, "next week")
    first = LATER_DAYS[0]
    frame = draw_setups(
        world,
        rng,
        n,
        inks=groups.usual_inks,
        garments=groups.usual_garments,
        days=(first, first + 7),
        job_prefix="NW-J",
    )
    changes = {3: ("ink_id", groups.unseen_inks[0]), 8: ("ink_id", groups.few_inks[0])}
    changes |= {13: ("substrate_id", groups.unseen_garments[0]), 18: ("mesh_id", UNSEEN_MESHES[0])}
    for row, (column, value) in changes.items():
        frame.loc[row, column] = value
    frame = finish(world, frame)
    truth = lab_of(world.reflectance(frame))
    bucket = lab_of(np.stack([world.bucket(i) for i in frame["ink_id"]]))
    # A customer asks for what was sampled once (near), for the ink as it looks in its
    # bucket (often out of reach), or for a colour off another press (off by a few units).
    near = truth + rng.normal(scale=[0.5, 0.6, 0.6], size=truth.shape)
    off = truth + rng.normal(scale=[2.0, 3.0, 3.0], size=truth.shape)
    target = np.choose((np.arange(n) // 2 % 3)[:, None], [near, bucket, off])
    asked = np.arange(n) % 2 == 0
    columns = [c for c in PRINT_COLUMNS if c != "print_id"]
    table = frame[columns].copy()
    table.insert(0, "setup_id", [f"S{i + 1:02d}" for i in range(n)])
    table["readings"] = np.nan
    names = ["target_L", "target_a", "target_b"]
    table[names] = np.where(asked[:, None], np.round(target, 1), np.nan)
    table["tolerance_dE00"] = np.where(asked, rng.choice([1.5, 2.0, 3.0], size=n), np.nan)
    return table
