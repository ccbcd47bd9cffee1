"""The invented demo shop: its optics against physics, its tables against their promises."""

from dataclasses import replace
from pathlib import Path

import colour
import numpy as np
import pandas as pd
import pytest

from datasets.demo import heldout, materials, radiative
from datasets.demo.colour_of import lab_of
from datasets.demo.history import draw_setups
from datasets.demo.recipe import MEDIUM, SMALL_LAB_ONLY
from datasets.demo.shop import TRUE_LAB, make_shop
from datasets.demo.world import FIRST_DAY, World, generator

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
SEED = 7
KINDS = [
    "next_prints",
    "unseen_ink",
    "unseen_garment",
    "unseen_mesh",
    "few_prints",
    "later_period",
    "far",
]


def slab(mu_a, mu_s, g, film_um):
    """Reflection and transmission (n, n) of one film at one wavelength."""
    one = np.array([1.0])
    r, t = radiative.layer_ladder(mu_a * one, mu_s * one, g * one, first_um=film_um, octaves=1)
    return r[0, 0], t[0, 0]


def hemispherical(operator, stream):
    """Share of a beam along ``stream`` that the operator returns, all directions together."""
    s = radiative.STREAMS
    return s.flux @ operator[:, stream] / s.flux[stream]


# --- optics ------------------------------------------------------------------------------


@pytest.mark.parametrize("g", [0.0, 0.6, 0.8])
@pytest.mark.parametrize("depth", [0.1, 3.0, 100.0])
def test_a_slab_that_absorbs_nothing_loses_nothing(g, depth):
    r, t = slab(0.0, 1.0, g, depth)
    for stream in range(radiative.STREAMS.mu.size):
        assert hemispherical(r, stream) + hemispherical(t, stream) == pytest.approx(1, abs=1e-5)


@pytest.mark.parametrize(("mu_a", "g", "depth"), [(0.0, 0.5, 2.0), (0.3, 0.7, 5.0)])
def test_light_goes_both_ways_alike(mu_a, g, depth):
    """Reciprocity: the bidirectional kernel R_ij / (2 mu_j w_j) is symmetric."""
    for operator in slab(mu_a, 1.0, g, depth):
        kernel = (operator - np.diag(np.diag(operator))) / radiative.STREAMS.flux
        np.testing.assert_allclose(kernel, kernel.T, rtol=1e-5, atol=1e-6)


def test_a_very_deep_clear_scatterer_returns_all_light():
    r, _ = slab(0.0, 1.0, 0.6, 1e5)
    assert hemispherical(r, -1) == pytest.approx(1.0, abs=1e-3)


def test_a_film_without_scattering_obeys_beer_lambert():
    r, t = slab(0.05, 0.0, 0.5, 20.0)
    assert abs(r).max() < 1e-12
    np.testing.assert_allclose(np.diag(t), np.exp(-1.0 / radiative.STREAMS.mu), rtol=2e-3)


def test_a_thin_film_scatters_once():
    """Single scattering, exact: p(45 deg in, 0 deg out) / (4 (mu + mu0)) (1 - exp(-tau m))."""
    mu = radiative.STREAMS.mu
    g, depth = 0.3, 1e-3
    r, _ = slab(0.0, 1.0, g, depth)
    cosine = -mu[-2]  # between the beam going down and the view straight up
    phase = (1 - g**2) / (1 + g**2 - 2 * g * cosine) ** 1.5
    path = 1 / mu[-2] + 1 / mu[-1]
    expected = phase / (4 * (mu[-2] + mu[-1])) * (1 - np.exp(-depth * path))
    assert r[-1, -2] / radiative.STREAMS.flux[-2] == pytest.approx(expected, rel=0.01)


def test_tabulated_slab():
    """Albedo 0.9, g 0.75, depth 2, same index: R 0.09739, T 0.66096.

    van de Hulst, Multiple Light Scattering, 1980, as quoted by Wang, Jacques & Zheng 1995,
    Comput. Methods Programs Biomed. 47, 131-146; values from memory. Sixteen streams a
    hemisphere give 0.09739 and 0.66096, the usual eight 0.09750 and 0.66097.
    """
    r, t = slab(0.1, 0.9, 0.75, 2.0)
    assert hemispherical(r, -1) == pytest.approx(0.09739, abs=5e-4)
    assert hemispherical(t, -1) == pytest.approx(0.66096, abs=5e-4)


def test_tabulated_half_space_under_a_surface():
    """Isotropic, albedo 0.9, index 1.5: total reflectance 0.2600.

    Giovanelli 1955, Opt. Acta 2, 153-162; value from memory. Sixteen streams give 0.2599.
    """
    s = radiative.STREAMS
    r, _ = slab(10.0, 90.0, 0.0, 10.0)
    source = np.zeros(s.mu.size)
    source[-1] = 1.0 / s.flux[-1]
    up = np.linalg.solve(np.eye(s.mu.size) - r * s.surface, r @ source)
    specular = radiative.fresnel(np.array(1.0), 1.0, 1.5)
    total = specular + (1 - specular) * (s.flux * (1 - s.surface)) @ up
    assert total == pytest.approx(0.2600, abs=0.001)


def test_surface_of_index_one_and_a_half():
    """Internal diffuse reflectance 0.5963 for n = 1.5: Walsh's closed form."""
    s = radiative.STREAMS
    assert s.flux @ s.surface == pytest.approx(0.5963458, abs=0.003)
    assert radiative.fresnel(np.array(1.0), 1.0, 1.5) == pytest.approx(0.04)
    assert radiative.fresnel(np.sqrt(np.array(0.5)), 1.0, 1.5) == pytest.approx(0.0502399, abs=1e-7)


def test_twice_the_streams_change_little(monkeypatch):
    """Numerical error of eight streams: over all inks and films, median 0.13 dE00, worst 0.6."""

    def colours():
        fresh = World(MEDIUM, SEED)
        films = np.array([8.0, 25.0, 80.0])
        inks = ["C01", "C08", "C13", "U1"]
        return lab_of(np.concatenate([fresh.card(i, films, materials.WHITE_CARD) for i in inks]))

    usual = colours()
    monkeypatch.setattr(radiative, "STREAMS", radiative.streams(8))
    difference = colour.delta_E(usual, colours(), method="CIE 2000")
    assert np.median(difference) < 0.3
    assert difference.max() < 0.8


# --- facts of the trade (common practice, no source) ----------------------------------------


@pytest.fixture(scope="module")
def world():
    return World(MEDIUM, SEED)


def printed(world, ink, garment, base, mesh="M77-55", strokes=1, flashes=0):
    """Lab of one print and how far it is from its bucket."""
    setup = {
        "press_id": "P1",
        "day": 100,
        "substrate_id": garment,
        "underbase_ink_id": base,
        "underbase_mesh_id": "M43-80" if base else None,
        "underbase_strokes": 2.0 if base else np.nan,
        "ink_id": ink,
        "lot_index": 0,
        "mesh_id": mesh,
        "strokes": strokes,
        "flash_count": flashes,
        "squeegee_shore_a": 70.0,
        "squeegee_angle_deg": 15.0,
        "off_contact_mm": 2.5,
        "eom_um": 12.0,
    }
    lab = lab_of(world.reflectance(pd.DataFrame([setup])))[0]
    bucket = lab_of(world.bucket(ink))
    return lab, bucket, float(colour.delta_E(lab, bucket, method="CIE 2000"))


@pytest.mark.parametrize("ink", ["C02", "C08", "C14"])  # clear magenta, red, purple
def test_translucent_inks_shift_as_printers_know(world, ink):
    on_base, bucket, shift = printed(world, ink, "G02", "U1")
    on_black, _, _ = printed(world, ink, "G02", None)
    assert on_base[0] > bucket[0] + 2, "lighter than its bucket over a white base"
    assert on_black[0] < on_base[0] - 5, "darker on bare black cloth"
    white_on_base, _, _ = printed(world, ink, "G01", "U1")
    assert printed(world, ink, "G02", "U1", mesh="M120-34")[2] > shift, "finer mesh, further"
    wet = printed(world, ink, "G02", "U1", strokes=2)[2]
    flashed = printed(world, ink, "G02", "U1", strokes=2, flashes=1)[2]
    assert flashed < wet < shift, "second stroke closer, after a flash closer still"
    with_base = np.linalg.norm(white_on_base - on_base)
    without = np.linalg.norm(printed(world, ink, "G01", None)[0] - on_black)
    assert with_base < 0.3 * without, "a base makes the garments agree"


def test_white_base_hides_most_and_opaque_inks_shift_less(world):
    over = [
        world.card("U1", np.array([50.0, 60.0]), card)[:, 15]
        for card in (materials.BLACK_CARD, materials.WHITE_CARD)
    ]
    contrast = over[0] / over[1]
    assert 0.88 < contrast[0] < contrast[1] < 0.97
    assert printed(world, "C09", "G02", "U1")[2] < 0.5 * printed(world, "C08", "G02", "U1")[2]


# --- tables ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tables():
    read = {p.stem: pd.read_csv(p) for p in (DEMO / "tables").glob("*.csv")}
    held = {kind: pd.read_csv(DEMO / "heldout" / f"{kind}.csv") for kind in KINDS}
    return read, held


def test_the_same_seed_gives_the_same_shop():
    recipe = replace(SMALL_LAB_ONLY, n_prints=40, n_inks=7, n_few_inks=1, held_out_rows=4)
    first, again = make_shop(recipe, 3), make_shop(recipe, 3)
    pd.testing.assert_frame_equal(first.prints, again.prints)
    pd.testing.assert_frame_equal(first.next_week, again.next_week)
    for kind in KINDS:
        pd.testing.assert_frame_equal(first.heldout[kind], again.heldout[kind])
    assert World(recipe, 3).workings != World(recipe, 4).workings
    assert not [c for c in first.prints if c.startswith("r4")], "this shop has no spectra"
    assert first.prints["squeegee_shore_a"].isna().all()


def test_committed_history_is_what_the_seed_draws(world, tables):
    groups = heldout.split_inks_and_garments(world)
    drawn = draw_setups(
        world,
        generator(SEED, "history"),
        MEDIUM.n_prints + MEDIUM.held_out_rows,
        inks=groups.usual_inks,
        garments=groups.usual_garments,
    )
    drawn["print_id"] = [f"P{i + 1:05d}" for i in range(len(drawn))]
    both = tables[0]["prints"].merge(drawn, on="print_id", suffixes=("", "_drawn"))
    assert len(both) == len(tables[0]["prints"]) - 6
    for column in ("job_id", "substrate_id", "mesh_id", "strokes", "flash_count"):
        assert (both[column] == both[column + "_drawn"]).all()


@pytest.mark.parametrize("kind", ["next_prints", "unseen_ink", "later_period", "far"])
def test_committed_truth_is_what_the_world_gives(world, tables, kind):
    rows = tables[1][kind]
    setting = ["squeegee_shore_a", "squeegee_angle_deg", "off_contact_mm", "eom_um"]
    known = rows.dropna(subset=[*setting, "ink_lot", "press_id", "printed_on"])
    known = known[known["underbase_ink_id"].isna() | known["underbase_strokes"].notna()]
    setups = known.iloc[:6].copy()
    setups["day"] = (pd.to_datetime(setups["printed_on"]) - FIRST_DAY).dt.days
    setups["lot_index"] = setups["ink_lot"].str[-2:].astype(int) - 1
    setups["underbase_ink_id"] = setups["underbase_ink_id"].astype(object)
    again = lab_of(world.reflectance(setups))
    np.testing.assert_allclose(again, setups[TRUE_LAB].to_numpy(), atol=2e-3)


def test_nothing_held_out_is_in_the_history(tables):
    read, held = tables
    prints = read["prints"]
    for kind, frame in held.items():
        assert len(frame) >= 100
        assert not set(frame["print_id"]) & set(prints["print_id"])
        assert not set(frame["job_id"]) & set(prints["job_id"]), kind
    for kind, column in {
        "unseen_ink": "ink_id",
        "unseen_garment": "substrate_id",
        "unseen_mesh": "mesh_id",
    }.items():
        assert not set(held[kind][column]) & set(prints[column])
    assert set(held["unseen_ink"]["ink_id"]) <= set(read["drawdowns"]["ink_id"])
    assert set(held["unseen_garment"]["substrate_id"]) <= set(read["substrates"]["substrate_id"])
    counts = prints["ink_id"].value_counts()
    assert counts[held["few_prints"]["ink_id"].unique()].between(1, 3).all()
    assert held["later_period"]["printed_on"].min() > prints["printed_on"].max()


def test_floor_of_the_next_prints(tables):
    """Press and instrument alone: measured against noise-free, a few tenths of a unit."""
    rows = tables[1]["next_prints"]
    noise = colour.delta_E(
        rows[["L", "a", "b"]].to_numpy(), rows[TRUE_LAB].to_numpy(), method="CIE 2000"
    )
    assert 0.25 < np.median(noise) < 0.6
