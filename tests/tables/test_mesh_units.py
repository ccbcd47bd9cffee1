"""Threads per cm or per inch: the certain is taken, the doubtful refused with both readings."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from learn.physics.deposit import complete_meshes
from pipelines.tables.mesh_units import check_mesh_units, per_cm
from pipelines.tables.schema import SHOP_TABLES
from tests.tables.reading import read, refused

HEADER = (
    "mesh_id,threads_per_cm,threads_per_inch,thread_um,opening_um,open_area_pct,fabric_um,"
    "theoretical_ink_cm3_m2\n"
)
SURE = "43-80,43,,80,149,,,\n77-55,77,,55,,,,\n90-48,90,,48,,,,\n"


@pytest.mark.parametrize(
    ("mesh", "said"),
    [
        # Counts of common screens per inch (common practice, no source) in the column per cm.
        (
            "m,110,,80,,,,",
            "110 with a thread of 80 um looks like threads per inch: 110 threads per cm would "
            "leave 1 % open; 110 per inch is 43 per cm and would leave 43 % open; move it to a "
            "column threads_per_inch, or write 43 here.",
        ),
        ("m,156,,64,,,,", "would leave 0 % open; 156 per inch is 61 per cm"),
        ("m,230,,48,,,,", "230 threads per cm would leave no opening; 230 per inch is 91 per cm"),
        ("m,305,,,,,,", "305 looks like threads per inch"),
        ("m,61,,120,296,,,", "61 with a thread of 120 um looks like threads per inch"),
        ("m,110,,,149,,,", "would have no room for an opening of 149 um; 110 per inch is 43"),
        ("m,110,,,,,,53", "110 looks like threads per inch"),  # of ink: 20 cm3/m2 at most
        ("m,110,,,,43,122,53", "110 looks like threads per inch"),
        # The count alone may be either: 110-34 per cm is sold, and 110 per inch.
        (
            "m,110,,,,,,",
            "110 alone may be threads per cm or threads per inch: 110 threads per cm would lay "
            "about 20 cm3/m2 of ink; 110 per inch is 43 per cm and would lay about 52 cm3/m2 of "
            "ink; give its thread_um or opening_um, or move it to a column threads_per_inch if it "
            "is that.",
        ),
        ("m,156,,,,,,", "156 alone may be threads per cm or threads per inch"),
        # A count per cm in the column per inch.
        ("m,,43,80,,,,", "column threads_per_inch: 43 with a thread of 80 um looks like threads"),
        ("m,,120,34,49,,,", "looks like threads per cm: 120 threads per cm would leave 35 % open"),
        ("m,110,110,80,,,,", "column threads_per_inch: is not threads_per_cm times 2.54"),
        # Woven nonsense.
        ("m,43,,80,2000,,,", "an opening of 2000 um is wider than 43 threads per cm allow"),
        ("m,43,,0.08,,,,", '"0.08" is outside 10 to 1000; give the thread diameter in micrometres'),
        ("m,,,80,,,,", "column threads_per_cm: is empty; give the count per centimetre, or in a"),
        ("m,90,,300,,,,", "a thread of 300 um leaves no opening at 90 threads per cm"),
    ],
)
def test_a_count_under_the_wrong_unit_is_refused_with_both_readings(tmp_path, mesh, said):
    message = refused(tmp_path, meshes=HEADER + SURE + mesh + "\n")
    assert message.startswith("meshes.csv, row 5, column ")
    assert said in message


@pytest.mark.parametrize(
    ("mesh", "count"),
    [
        # nt-jp.com screen specification, 90 per cm or 225 per inch
        ("m,90,,40,73,42,59,25", 90),
        ("m,90,,48,65,33,72,24", 90),
        ("m,90,,54,59,27,84,23", 90),
        ("m,,225,40,73,42,59,25", 88.6),
        ("m,39,,55,,,,", 39),  # trade article of April 2000, thin thread
        ("m,,100,55,,,,", 39.4),
        ("m,,110,80,,43,,", 43.3),  # trade article on thin thread
        ("m,,305,40,,25,63,", 120.1),  # trade article of June 2009
        ("m,,110,,,,,", 43.3),
        # pairs sold per cm, from memory
        *((f"m,{n},,{d},,,,", n) for n, d in [(24, 140), (61, 64), (110, 34), (120, 34)]),
        *((f"m,{n},,{d},,,,", n) for n, d in [(140, 31), (140, 34), (165, 31), (100, 40)]),
        ("m,225,,17.8,26.6,,,", 225),  # fine wire: 17.8 + 26.6 is 10000 / 225
        ("m,110,,,57,,,", 110),
        ("m,110,,,,,,20", 110),
        ("m,120,,,,,,", 120),  # not sold by this count per inch
        ("m,110,279.4,,,,,", 110),  # stated twice
    ],
)
def test_sound_meshes_pass_in_either_unit(tmp_path, mesh, count):
    meshes = read(tmp_path, meshes=HEADER + SURE + mesh + "\n").shop.meshes
    assert meshes["threads_per_cm"].iloc[3] == pytest.approx(count, abs=0.05)
    assert "threads_per_inch" not in meshes


def test_a_table_is_judged_as_a_whole(tmp_path):
    """Rows that tell nothing of their unit follow those that do."""
    rows = "43-80,110,80\n77-55,195,55\nc,230,\nd,60,\n"
    message = refused(tmp_path, meshes="mesh_id,threads_per_cm,thread_um\n" + rows)
    assert message.startswith(
        "meshes.csv, column threads_per_cm: every count looks like threads per inch: 110 threads"
    )
    assert "name the column threads_per_inch" in message
    named = "mesh_id,threads_per_inch,thread_um\n" + rows
    counts = read(tmp_path, meshes=named).shop.meshes["threads_per_cm"]
    np.testing.assert_allclose(counts, np.array([110, 195, 230, 60]) / 2.54)
    mixed = refused(tmp_path, meshes=HEADER + SURE + "a,230,,48,,,,\nb,60,,,,,,\n")
    assert "row 5, column threads_per_cm: 230 with a thread of 48 um looks like" in mixed
    assert "row 6, column threads_per_cm: 60 alone may be threads per cm" in mixed


def test_meshes_that_pass_the_checks_can_be_completed():
    """Whatever `check_mesh_units` lets through has a geometry: learning must not refuse it."""
    rng = np.random.default_rng(0)
    columns = {c.name: c for c in SHOP_TABLES["meshes"].columns if c.kind == "number"}
    meshes = pd.DataFrame(
        {
            name: np.exp(rng.uniform(np.log(column.low), np.log(column.high), 40_000))
            for name, column in columns.items()
        }
    )
    for name in [name for name, column in columns.items() if not column.filled]:
        meshes.loc[rng.random(len(meshes)) < 0.5, name] = np.nan
    meshes.loc[rng.random(len(meshes)) < 0.5, "threads_per_inch"] = np.nan
    per_inch = meshes["threads_per_inch"].notna() & (rng.random(len(meshes)) < 0.5)
    meshes.loc[per_inch, "threads_per_cm"] = np.nan
    faulty = {problem.row for problem in check_mesh_units(meshes, "meshes.csv")}
    sound = per_cm(meshes.drop(index=list(faulty)))
    assert 2_000 < len(sound) < len(meshes)
    assert np.isfinite(complete_meshes(sound)).all(axis=None)


def test_a_table_without_any_count_is_told_once(tmp_path):
    message = refused(tmp_path, meshes="mesh_id,thread_um\na,80\nb,55\n")
    assert "column threads_per_cm: the column is missing" in message
    assert message.count("threads_per_cm") == 1
