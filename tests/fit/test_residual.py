"""What is left over has the cause it has."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00
from learn.fit.encoding import Encoder
from learn.fit.linearisation import DIRECTIONS
from learn.normal import Z90
from learn.physics import print_model
from learn.physics.deposit import complete_meshes
from learn.physics.drawdowns import SPECTRUM, lab_columns
from tests.small_demo import (
    LAB,
    TRUE_LAB,
    held_out,
    learnt,
    roughly_learnt,
    small_model,
    small_shop,
)


def test_a_screen_unlike_its_sheet_does_not_bend_what_is_said_of_its_neighbours():
    """A curve through one sheet that is a fifth off would swing on both sides of it."""
    meshes = complete_meshes(small_shop().meshes)
    meshes.loc[meshes["mesh_id"] == "M90-48", "theoretical_ink_cm3_m2"] *= 0.8
    model = roughly_learnt(replace(small_shop(), meshes=meshes))
    between = held_out("unseen_mesh")
    off = delta_e00(model.predict_lab(between)[0], between[TRUE_LAB].to_numpy())
    assert np.mean(off) < 0.8


def with_light(lab: np.ndarray, share: float, times: np.ndarray | float = 1.0) -> np.ndarray:
    """Lab (n, 3) of surfaces that send back so many ``times`` (n, 1) as much, and ``share`` of the
    light more, at all wavelengths (CIE 15:2018, 8.2.1)."""
    fy = (lab[:, 0] + 16) / 116
    f = np.column_stack([fy + lab[:, 1] / 500, fy, fy - lab[:, 2] / 200])
    f = np.cbrt(np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * times + share)
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
    model = roughly_learnt(replace(shop, prints=kept))
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
    model = roughly_learnt(replace(shop, inks=inks, prints=kept))
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
    model = roughly_learnt(replace(shop, prints=kept))
    assert np.median(delta_e00(thin[asked], usual[asked])) > 1.2
    assert np.median(delta_e00(model.means(prints.iloc[asked]), lab[asked])) < 0.8


def films_of(model, setups) -> np.ndarray:
    """Log film (n,) of the top ink, all the model makes of the settings in it."""
    rows = model.layout_.with_ground(model.encode(setups), model.weights_)
    features = model.layout_.features(rows, model.log_lengths_)
    shifts = model.layout_.shifts(features, model.weights_, len(setups))
    return np.log(
        print_model.film_um(rows.stack, model.layout_.state(model.weights_).constants, shifts)[0]
    )


def test_a_stencil_nobody_wrote_down_is_one_of_those_the_shop_has():
    """The film is then as unsure as films of the shop's own stencils differ."""
    model, shop = small_model(), small_shop()
    known = shop.prints["eom_um"].dropna()
    assert known.nunique() > 2
    setup = shop.prints[shop.prints["mesh_id"] == "M90-48"].iloc[:1]
    each = setup.iloc[np.zeros(len(known), int)].assign(eom_um=known.to_numpy())
    stack = model.encode(each).stack
    constants = model.layout_.state(model.weights_).constants
    films = np.log(print_model.film_um(stack, constants, print_model.no_shift(len(each)))[0])
    unknown = setup.assign(eom_um=np.nan)
    rows = model.layout_.with_ground(model.encode(unknown), model.weights_)
    off = rows.X["stencil_um_off"].item()
    assert 0.6 < off / films.std() < 1.6
    told, untold = (model.predict_lab(s).covariance[0] for s in (setup, unknown))
    assert np.trace(untold) > np.trace(told)


def test_softer_leaning_and_nearer_blades_lay_more_before_any_print_says_so():
    """A softer blade lays more ink (trade article, 2021), one that leans more too (a how-to;
    sources differ), one farther off less (common practice, no source); little of it, for a
    doctoral study found films insensitive to most settings (British Library EThOS
    uk.bl.ethos.422613)."""
    usual = {"squeegee_shore_a": 70.0, "squeegee_angle_deg": 15.0, "off_contact_mm": 2.5}
    shop = small_shop()
    model = roughly_learnt(replace(shop, prints=shop.prints.assign(**usual)))
    setup = shop.prints.iloc[:1].assign(**usual)
    for column, thinner in (
        ("squeegee_shore_a", [55.0, 70.0, 80.0]),
        ("squeegee_angle_deg", [25.0, 15.0, 5.0]),
        ("off_contact_mm", [1.0, 2.5, 4.0]),
    ):
        asked = setup.iloc[[0, 0, 0]].assign(**{column: thinner})
        films = films_of(model, asked)
        assert (np.diff(films) < 0).all() and films[0] - films[2] < 0.15, column
        told = np.einsum("nii->n", model.predict_lab(asked).covariance)
        assert told[1] < min(told[0], told[2]), column


def test_what_nobody_wrote_of_flashes_and_strokes_of_a_base_may_be_more_than_is_taken():
    """A stroke after a flash adds nearly a film, a wet one little (common practice, no source)."""
    model = small_model()
    prints = small_shop().prints.head(60).assign(strokes=2.0)
    wet, flashed, untold = (prints.assign(flash_count=n) for n in (0.0, 1.0, np.nan))
    apart = np.abs(model.means(flashed) - model.means(wet))
    told, open_ = (
        np.sqrt(np.einsum("nii->ni", model.predict_lab(s).covariance)) for s in (wet, untold)
    )
    seen = apart > 2 * told
    assert seen.sum() > 20 and (apart < 2 * Z90 * open_)[seen].mean() > 0.8
    based = prints[prints["underbase_ink_id"].notna()].assign(underbase_strokes=1.0)
    one, more = (based, based.assign(underbase_strokes=np.nan))
    np.testing.assert_array_equal(model.means(one), model.means(more))
    one, more = (np.trace(model.predict_lab(s).covariance, axis1=1, axis2=2) for s in (one, more))
    assert (more >= one).all() and (more > 1.05 * one).any()
    single = prints.assign(strokes=1.0)
    same = [model.predict_lab(single.assign(flash_count=n)).covariance for n in (0.0, np.nan)]
    np.testing.assert_allclose(*same, err_msg="nothing is flashed between single strokes")


def test_a_base_whose_mesh_nobody_wrote_down_went_through_one_of_those_of_the_shop():
    """A coarser mesh lays a thicker base (common practice, no source): a band without its mesh
    reaches as far as those meshes differ. A shop that never writes it down has bands too, and
    none the narrower where a set-up tells what no print did."""
    shop, model = small_shop(), small_model()
    based = shop.prints[shop.prints["underbase_ink_id"].notna()].head(40)
    through = list(shop.prints["underbase_mesh_id"].dropna().unique())
    untold = based.assign(underbase_mesh_id=None)
    each = np.array([model.means(based.assign(underbase_mesh_id=mesh)) for mesh in through])
    assert len(through) > 2 and np.ptp(each, axis=0).max() > 0.5
    middle, open_ = model.means(untold), model.predict_lab(untold).covariance
    reach = Z90 * np.sqrt(np.einsum("nii->ni", open_))
    assert (np.abs(each - middle) < reach).mean() > 0.9
    told = model.predict_lab(based).covariance
    assert np.median(np.trace(open_ - told, axis1=1, axis2=2)) > 0
    never = learnt(replace(shop, prints=shop.prints.assign(underbase_mesh_id=None)), restarts=0)
    z = (never.lab_[never.keep_] - never.means(never.prints_[never.keep_])) / np.sqrt(
        np.einsum("nii->ni", never.predict_lab(never.prints_[never.keep_]).covariance)
    )
    assert (np.abs(z) < Z90).mean() > 0.85
    told, open_ = (
        np.trace(never.predict_lab(s).covariance, axis1=1, axis2=2) for s in (based, untold)
    )
    assert np.median(told / open_) > 0.9


def test_cloth_whose_fibre_nobody_wrote_down_is_known_by_its_own_prints():
    """What is learnt fibre by fibre - what a discharge takes away, how cloth wets out - is learnt
    of it as well; else its test prints would tell nothing."""
    shop, told = small_shop(), small_model()
    untold = shop.substrates["substrate_id"].isin(["G02", "G04"])
    cloth = shop.substrates.assign(fibre=shop.substrates["fibre"].mask(untold, None))
    encoder = Encoder.of(replace(shop, substrates=cloth), told.viewing_)
    prints = shop.prints[shop.prints["substrate_id"].isin(["G01", "G02", "G04"])]
    fibre = encoder.process(prints, encoder.layers(prints, told.shelf_.ink_ids))["fibre"]
    of = fibre.groupby(prints["substrate_id"].to_numpy()).unique()
    assert all(len(one) == 1 for one in of) and len({one[0] for one in of}) == 3
    assert of["G01"][0] == "cotton" and fibre.notna().all()


def test_strokes_of_a_base_that_one_row_forgot_are_those_of_the_others():
    """Where the cell is empty as often as not, an empty one is how the shop writes one stroke."""
    shop = small_shop()
    based = shop.prints["underbase_ink_id"].notna()
    asked = shop.prints[based].head(1).assign(underbase_strokes=np.nan)
    for told, expected in ((0.95, 2.0), (0.5, 1.0)):
        strokes = pd.Series(2.0, shop.prints.index).where(based)
        few = strokes.index[based][: int((1 - told) * based.sum())]
        prints = shop.prints.assign(underbase_strokes=strokes.drop(few))
        encoder = Encoder.of(replace(shop, prints=prints), small_model().viewing_)
        assert encoder.layers(asked, small_model().shelf_.ink_ids).base_strokes == [expected]


def test_a_shop_that_leaves_the_cell_of_no_flash_empty_says_so_by_its_prints():
    shop = small_shop()
    none = (shop.prints["strokes"] > 1) & (shop.prints["flash_count"] == 0)
    assert none.sum() > 10
    prints = shop.prints.assign(flash_count=shop.prints["flash_count"].mask(none))
    model = learnt(replace(shop, prints=prints), restarts=0)
    usual = prints[none.to_numpy()]
    empty, before = (
        np.trace(m.predict_lab(usual).covariance, axis1=1, axis2=2) for m in (model, small_model())
    )
    assert np.median(np.sqrt(empty / before)) < 0.9


def test_light_that_comes_and_goes_is_no_film():
    """Prints read two per cent brighter or darker as a whole, as an instrument held a little
    otherwise reads them: known for what it is, and films are as even as before."""
    shop, rng = small_shop(), np.random.default_rng(0)
    prints = shop.prints.copy()
    times = np.exp(0.02 * rng.standard_normal((len(prints), 1)))
    lab = lab_columns(prints, small_model().viewing_)
    prints[LAB], prints[SPECTRUM] = with_light(lab, 0.0, times), np.nan
    model = roughly_learnt(replace(shop, prints=prints))
    light, film = (DIRECTIONS.index(name) for name in ("light", "film"))
    found, before = np.exp(model.hyper_.noise), np.exp(small_model().hyper_.noise)
    assert 0.01 < found[light] < 0.03 and before[light] < 0.01
    assert found[film] < 1.5 * before[film]
