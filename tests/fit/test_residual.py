"""What is left over has the cause it has."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from learn.colour.colorimetry import delta_e00
from learn.fit.encoding import Encoder
from learn.physics import print_model
from learn.physics.deposit import complete_meshes
from learn.physics.drawdowns import SPECTRUM, lab_columns
from tests.small_demo import LAB, TRUE_LAB, held_out, learnt, small_model, small_shop


def test_a_screen_unlike_its_sheet_does_not_bend_what_is_said_of_its_neighbours():
    """A curve through one sheet that is a fifth off would swing on both sides of it."""
    meshes = complete_meshes(small_shop().meshes)
    meshes.loc[meshes["mesh_id"] == "M90-48", "theoretical_ink_cm3_m2"] *= 0.8
    model = learnt(replace(small_shop(), meshes=meshes), restarts=0)
    between = held_out("unseen_mesh")
    off = delta_e00(model.predict_lab(between)[0], between[TRUE_LAB].to_numpy())
    assert np.mean(off) < 0.8


def with_light(lab: np.ndarray, share: float) -> np.ndarray:
    """Lab (n, 3) of surfaces that send back ``share`` more of the light, at all wavelengths
    (CIE 15:2018, 8.2.1)."""
    fy = (lab[:, 0] + 16) / 116
    f = np.column_stack([fy + lab[:, 1] / 500, fy, fy - lab[:, 2] / 200])
    f = np.cbrt(np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) + share)
    return np.column_stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])]
    )


def test_fibres_that_stand_out_of_bare_prints_say_nothing_of_what_lies_on_a_base():
    """White fibres on a garment never printed with a base; common practice, no source."""
    shop, garment = small_shop(), "G01"
    here, based = shop.prints["substrate_id"] == garment, shop.prints["underbase_ink_id"].notna()
    prints = shop.prints.copy()
    fuzzy = here & ~based & prints["L"].notna()
    prints.loc[fuzzy, LAB] = with_light(prints.loc[fuzzy, LAB].to_numpy(float), 0.04)
    kept = prints[~(here & (based | prints["L"].isna()))].reset_index(drop=True)
    model = learnt(replace(shop, prints=kept), restarts=0)
    bare, on_base = shop.prints[fuzzy], shop.prints[here & based]
    lifted = model.means(bare)[:, 0] - small_model().means(bare)[:, 0]
    assert np.median(lifted) > 2
    assert np.median(delta_e00(model.means(on_base), small_model().means(on_base))) < 1


def test_a_thin_film_of_discharge_ink_takes_less_of_the_dye():
    """Prints by optics in which twice the film leaves a quarter of the dye, learnt from thick
    films, asked of thin ones: a share common to all films would be 1.3 off."""
    shop, rng, n = small_shop(), np.random.default_rng(0), 60
    inks = shop.inks.assign(ink_type="discharge")
    prints = shop.prints.iloc[rng.integers(len(shop.prints), size=n)].reset_index(drop=True)
    prints = prints.assign(
        print_id=[f"D{i}" for i in range(n)],
        job_id=[f"D{i // 2}" for i in range(n)],
        ink_id=rng.choice(["C02", "C19"], n),
        substrate_id=rng.choice(["G02", "G03", "G07"], n),
        **dict.fromkeys(("underbase_ink_id", "underbase_mesh_id")),
        **dict.fromkeys(("underbase_strokes", *SPECTRUM), np.nan),
    )
    told = small_model()
    stack = Encoder.of(replace(shop, inks=inks), told.viewing_).layers(prints, told.shelf_.ink_ids)
    state, shifts = told.layout_.state(told.weights_), print_model.no_shift(n)
    film = print_model.film_um(stack, state.constants, shifts)[0]
    shifts[:, print_model.column_of("discharge")] = 2 * np.log(film / np.median(film))
    lab = print_model.lab(stack, state, shifts, told.viewing_)
    prints[LAB] = lab + rng.normal(0, 0.2, lab.shape)
    thick, thin = film > np.quantile(film, 0.4), film < np.quantile(film, 0.2)
    kept = prints[thick].reset_index(drop=True)
    model = learnt(replace(shop, inks=inks, prints=kept), restarts=0)
    assert np.median(delta_e00(model.means(prints[thin]), lab[thin])) < 0.8


def test_cloth_that_takes_up_more_of_its_base_is_known_by_its_other_prints():
    """Two fifths of the base gone on one garment. Without a term of its own it would pass for
    scatter of prints: 1.2 off, and bands half as wide again on every garment."""
    shop, told, garment = small_shop(), small_model(), "G02"
    prints, n = shop.prints.copy(), len(shop.prints)
    thirsty = ((prints["substrate_id"] == garment) & prints["underbase_ink_id"].notna()).to_numpy()
    stack = told.encoder_.layers(prints, told.shelf_.ink_ids)
    state, shifts = told.layout_.state(told.weights_), print_model.no_shift(n)
    usual = print_model.lab(stack, state, shifts, told.viewing_)
    shifts[thirsty, print_model.column_of("base_film")] = -0.5
    thin = print_model.lab(stack, state, shifts, told.viewing_)
    lab = lab_columns(prints, told.viewing_) + thin - usual
    prints[SPECTRUM], prints[LAB] = np.nan, lab
    asked = np.flatnonzero(thirsty)[::2]
    kept = prints.drop(index=prints.index[asked]).reset_index(drop=True)
    model = learnt(replace(shop, prints=kept), restarts=0)
    assert np.median(delta_e00(thin[asked], usual[asked])) > 1.2
    assert np.median(delta_e00(model.means(prints.iloc[asked]), lab[asked])) < 0.8
