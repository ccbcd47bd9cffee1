"""Mesh units that cannot be right."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from learn.physics.deposit import complete_meshes
from pipelines.tables.checks import check_mesh_units
from pipelines.tables.schema import SHOP_TABLES
from tests.tables.reading import read, refused
from tests.tiny_shop import TINY


@pytest.mark.parametrize(
    ("mesh", "said"),
    [
        # Counts of common screens per inch (common practice, no source) in the column per cm.
        ("110-80,110,80,", "110 with a thread of 80 um looks like threads per inch; divide it"),
        ("230-48,230,48,", "230 with a thread of 48 um looks like threads per inch"),
        ("305-,305,,", "305 looks like threads per inch; divide it by 2.54 (120 per cm)"),
        ("61-120,61,120,296", "61 with a thread of 120 um looks like threads per inch"),
        ("110-,110,,149", "110 looks like threads per inch; divide it by 2.54 (43 per cm)"),
        ("43-81,43,80,2000", "an opening of 2000 um is wider than 43 threads per cm allow"),
        ("43-8,43,0.08,", '"0.08" is outside 10 to 1000; give the thread diameter in micrometres'),
        ("43-,,80,", "column threads_per_cm: is empty; give the count per centimetre"),
        ("90-300,90,300,", "a thread of 300 um leaves no opening at 90 threads per cm"),
    ],
)
def test_mesh_units_are_recognised(tmp_path, mesh, said):
    message = refused(tmp_path, meshes=TINY["meshes.csv"] + mesh + "\n")
    assert message.startswith("meshes.csv, row 5, column ")
    assert said in message


@pytest.mark.parametrize(
    "mesh",
    [  # nt-jp.com screen specification: published meshes per cm must pass
        "a,90,40,73",
        "b,90,48,65",
        "c,90,54,59",
    ],
)
def test_published_meshes_pass(tmp_path, mesh):
    assert len(read(tmp_path, meshes=TINY["meshes.csv"] + mesh + "\n").shop.meshes) == 4


def test_meshes_that_pass_the_checks_can_be_completed():
    """Whatever `check_mesh_units` lets through has a geometry: learning must not refuse it."""
    rng = np.random.default_rng(0)
    columns = {c.name: c for c in SHOP_TABLES["meshes"].columns if c.kind == "number"}
    meshes = pd.DataFrame(
        {
            name: np.exp(rng.uniform(np.log(column.low), np.log(column.high), 20_000))
            for name, column in columns.items()
        }
    )
    for name in [name for name, column in columns.items() if not column.filled]:
        meshes.loc[rng.random(len(meshes)) < 0.5, name] = np.nan
    faulty = {problem.row for problem in check_mesh_units(meshes, "meshes.csv")}
    sound = meshes.drop(index=list(faulty))
    assert 2_000 < len(sound) < len(meshes)
    assert np.isfinite(complete_meshes(sound)).all(axis=None)
