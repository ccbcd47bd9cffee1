"""Mesh geometry against published rows; strokes as the trade knows them."""

import numpy as np
import pandas as pd
import pytest

from learn.physics.deposit import (
    FABRIC_PER_THREAD,
    complete_inks,
    complete_meshes,
    stroke_gain,
    usual_thread_um,
)
from tests.published import table


def meshes(**columns) -> pd.DataFrame:
    count = len(next(iter(columns.values())))
    return pd.DataFrame({"mesh_id": [f"m{i}" for i in range(count)], **columns})


def test_geometry_of_the_published_meshes():
    """nt-jp.com screen specification: 225 per inch with 40, 48 and 54 um thread."""
    rows = table("mesh_geometry").dropna(subset=["theoretical_ink_volume_cm3_m2"])
    filled = complete_meshes(
        meshes(
            threads_per_cm=[225 / 2.54] * 3,  # the maker's 90 per cm is rounded
            thread_um=rows["thread_diameter_um"],
            fabric_um=rows["fabric_thickness_um"],
        )
    )
    for ours, printed, rounding in (
        ("opening_um", "mesh_opening_um", 0.5),
        ("open_area_pct", "open_area_pct", 0.5),
        ("theoretical_ink_cm3_m2", "theoretical_ink_volume_cm3_m2", 0.5),
    ):
        np.testing.assert_allclose(filled[ours], rows[printed], atol=rounding)


def test_open_area_of_other_published_meshes():
    """screenweb.com, Mesh Matters, June 2009 (305 per inch, printed 25 %, geometry gives 27);
    thin-thread article (110 per inch)."""
    filled = complete_meshes(meshes(threads_per_cm=[305 / 2.54, 110 / 2.54], thread_um=[40, 80]))
    assert filled["open_area_pct"][0] == pytest.approx(25, abs=2.1)
    assert filled["open_area_pct"][1] == pytest.approx(43, abs=0.5)


def test_thickness_by_rows_that_did_not_set_it():
    """Each published thickness from the other three; then 50 um at 120 per cm, from the April
    2000 article of screenweb.com, whose thread is not printed."""
    rows = table("mesh_geometry").dropna(subset=["thread_diameter_um", "fabric_thickness_um"])
    ratio = (rows["fabric_thickness_um"] / rows["thread_diameter_um"]).to_numpy()
    assert len(ratio) == 4
    assert pytest.approx(ratio.mean(), abs=0.005) == FABRIC_PER_THREAD
    from_others = (ratio.sum() - ratio) / 3
    np.testing.assert_allclose(from_others, ratio, rtol=0.05)
    filled = complete_meshes(meshes(threads_per_cm=[120.0]))
    assert filled["fabric_um"][0] == pytest.approx(50, rel=0.07)


def test_ink_volume_against_published_wet_deposits():
    """Worked examples of the same article, 61.76 um (39 per cm, thread 55) and 14.25 um (120 per
    cm, fabric 50), by a rule of its own that jumps from all to half of the mesh's volume
    between coarse and fine: a check of size alone."""
    rows = table("mesh_geometry").dropna(subset=["wet_deposit_um"])
    filled = complete_meshes(
        meshes(
            threads_per_cm=rows["threads_per_cm"],
            thread_um=rows["thread_diameter_um"],
            fabric_um=rows["fabric_thickness_um"],
        )
    )
    share = rows["wet_deposit_um"] / filled["theoretical_ink_cm3_m2"].to_numpy()
    assert len(share) == 2
    assert share.between(0.7, 1.25).all()


def test_the_makers_own_figures_stay():
    given = meshes(
        threads_per_cm=[90.0, 90.0],
        thread_um=[48.0, 48.0],
        open_area_pct=[33.0, np.nan],
        fabric_um=[72.0, np.nan],
        theoretical_ink_cm3_m2=[np.nan, 21.0],
    )
    filled = complete_meshes(given)
    assert filled["theoretical_ink_cm3_m2"].tolist() == pytest.approx([0.33 * 72, 21])
    assert filled["open_area_pct"][0] == 33 and filled["fabric_um"][0] == 72
    assert filled.notna().all(axis=None)
    pd.testing.assert_frame_equal(complete_meshes(filled), filled)
    assert "opening_um" not in given  # the frame handed in is left alone


def test_a_thread_that_is_not_given():
    """From opening or open area exactly; else the usual pairing (ronanoshea.co.uk plant list)."""
    filled = complete_meshes(
        meshes(
            threads_per_cm=[90, 90, 90, np.nan],
            thread_um=[np.nan, np.nan, np.nan, 48],
            opening_um=[63.1, np.nan, np.nan, 63.1],
            open_area_pct=[np.nan, 32.3, np.nan, np.nan],
        )
    )
    np.testing.assert_allclose(filled["thread_um"], [48, 48, 48, 48], rtol=0.1)
    np.testing.assert_allclose(filled["threads_per_cm"], 90, rtol=1e-3)
    rows = table("mesh_geometry").dropna(subset=["thread_diameter_um"])
    per_cm = rows["threads_per_cm"].fillna(pd.to_numeric(rows["threads_per_inch"]) / 2.54)
    ratio = usual_thread_um(per_cm) / rows["thread_diameter_um"]
    plant = rows["source"].str.startswith("ronanoshea")
    assert ratio[plant].between(0.9, 1.1).sum() == 6  # the seventh, 49 per cm, is a thin thread
    others = ratio[~plant].to_numpy()  # rows that did not set it
    assert len(others) == 7
    assert ((others > 0.8) & (others < 1.11)).sum() == 6  # the seventh, 39 per cm, is thin too
    counts = np.arange(8, 200)
    assert (usual_thread_um(counts) < 10_000 / counts).all()


def test_impossible_meshes_are_named():
    with pytest.raises(ValueError, match="mesh m0: thread_um leaves no opening at this count"):
        complete_meshes(meshes(threads_per_cm=[225, 90], thread_um=[48, 48]))
    with pytest.raises(ValueError, match="mesh m0, m1: threads_per_cm is missing"):
        complete_meshes(meshes(threads_per_cm=[np.nan, 0], thread_um=[48, 48]))
    assert len(complete_meshes(meshes(threads_per_cm=[], thread_um=[]))) == 0


def test_film_of_strokes_and_flashes():
    """Common practice, no source: wet on wet adds little, print-flash-print nearly doubles."""
    gains = {"wet_gain": 0.2, "flash_gain": 0.85}
    np.testing.assert_allclose(
        stroke_gain([1, 2, 2, 3, 3], [0, 0, 1, 1, 2], **gains), [1, 1.2, 1.85, 2.05, 2.7]
    )


def test_solids_nobody_wrote_down_are_those_of_inks_of_the_type():
    """Water-based inks keep some two fifths of what is laid, plastisol all (common practice, no
    source); what the shop's own inks of the type keep tells more."""
    types = ["water_based"] * 4 + ["discharge", "plastisol", None]
    told = [30.0, 34.0, 45.0, *[np.nan] * 4]
    filled = complete_inks(pd.DataFrame({"ink_type": types, "solids_vol_pct": told}))
    solids = filled["solids_vol_pct"].tolist()
    assert solids[:4] == [30.0, 34.0, 45.0, 34.0], "what is told stays"
    assert 25 < solids[4] < 50 and solids[5:] == [100.0, 100.0]
    assert complete_inks(filled).equals(filled), "and nothing changes once it is filled"
