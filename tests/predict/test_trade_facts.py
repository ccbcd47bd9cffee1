"""What every printer knows, asked of whole predictions. Common practice, no source.

Asked twice: of a model that has learnt the demo shop's prints, and of the physics alone,
which has seen the inks' drawdowns but not one print.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import delta_e00
from learn.fit.encoding import substrate_reflectance
from learn.physics import kubelka_munk
from learn.physics.drawdowns import DRAWDOWN_HAZE, SPECTRUM
from learn.predict.model import ShiftModel
from tests.small_demo import small_model, small_shop

# No ink of the demo shop is both clear and hiding; these let the ground show through.
TRANSLUCENT = ["C02", "C06", "C08", "C10", "C19"]
# Of these the bucket is clearly lighter than black cloth; that of clear magenta is as dark.
LIGHTER_THAN_BLACK_CLOTH = ["C06", "C08", "C10", "C19"]
OPAQUE_TWIN = {"C08": "C09"}
COARSE_TO_FINE = ["M43-80", "M61-64", "M77-55", "M90-48", "M120-34"]
GARMENTS = [f"G{i:02d}" for i in range(1, 17)]
WHITE, BLACK = "G01", "G02"  # cotton


def mixed(parts: dict[str, float]) -> pd.DataFrame:
    """Drawdowns of a mix of shelf inks (Duncan 1940), 25 um over both cards."""
    shop, shelf = small_shop(), small_model().shelf_
    at = shelf.index(pd.Series(list(parts)))
    shares = np.array(list(parts.values()))
    K, S = shares @ np.exp(shelf.log_k[at]), shares @ np.exp(shelf.log_s[at])
    cards = shop.substrates[shop.substrates["kind"] == "card"]
    back = kubelka_munk.beneath_surface(substrate_reflectance(cards, small_model().viewing_))
    r = (
        kubelka_munk.through_surface(kubelka_munk.reflectance_over(K, S, 25.0, back))
        + DRAWDOWN_HAZE
    )
    known = {"ink_id": "+".join(parts), "substrate_id": cards["substrate_id"], "film_um": 25.0}
    return pd.DataFrame(known).join(pd.DataFrame(r, index=cards.index, columns=SPECTRUM))


@cache
def physics_alone() -> ShiftModel:
    """The demo's shelf with two more inks, a clear one let down with white or with black."""
    shop = small_shop()
    mixes = [mixed({"C02": 0.85, "C24": 0.15}), mixed({"C02": 0.85, "C26": 0.15})]
    clear = shop.inks[shop.inks["ink_id"] == "C02"]
    inks = [shop.inks, *(clear.assign(ink_id=rows["ink_id"].iloc[0]) for rows in mixes)]
    return ShiftModel().fit(
        replace(
            shop,
            inks=pd.concat(inks, ignore_index=True),
            drawdowns=pd.concat([shop.drawdowns, *mixes], ignore_index=True),
            prints=shop.prints.iloc[:0],
        )
    )


@pytest.fixture(params=["learnt", "physics alone"])
def model(request):
    return small_model() if request.param == "learnt" else physics_alone()


def predicted(
    model: ShiftModel,
    inks: list[str],
    garments: list[str],
    base: str | None,
    mesh: str = "M77-55",
    strokes: int = 1,
    flashes: int = 0,
) -> pd.DataFrame:
    """Predictions of every ink on every garment, one after another."""
    pairs = pd.MultiIndex.from_product([inks, garments], names=["ink_id", "substrate_id"])
    setups = pairs.to_frame(index=False).assign(
        setup_id=lambda frame: frame["ink_id"] + " on " + frame["substrate_id"],
        press_id="P1",
        underbase_ink_id=base,
        underbase_mesh_id="M43-80" if base else None,
        underbase_strokes=2.0 if base else np.nan,
        mesh_id=mesh,
        strokes=float(strokes),
        flash_count=float(flashes),
    )
    return model.predict(setups)


def test_translucent_ink_is_lighter_than_its_bucket_over_a_white_base(model):
    over_base = predicted(model, TRANSLUCENT, [WHITE, BLACK], "U1")
    assert (over_base["L"] > over_base["bucket_L"] + 2).all()


def test_translucent_ink_is_darker_than_its_bucket_on_bare_black_cloth(model):
    bare = predicted(model, LIGHTER_THAN_BLACK_CLOTH, [BLACK], None)
    assert (bare["L"] < bare["bucket_L"] - 1).all()
    bare, based = (predicted(model, TRANSLUCENT, [BLACK], base) for base in (None, "U1"))
    assert (bare["L"] < based["L"] - 8).all(), "also the one whose bucket is as dark as the cloth"


def test_straight_on_white_cotton_is_darker_than_on_base_white(model):
    """Both on the white shirt: wet-out and soak take light that a base keeps."""
    straight, on_base = (
        predicted(model, [*TRANSLUCENT, "C09", "C24"], [WHITE], base) for base in (None, "U1")
    )
    assert (straight["L"] < on_base["L"] - 0.3).all()


def test_a_finer_mesh_shifts_further_from_the_bucket(model):
    shifts = np.stack(
        [
            predicted(model, TRANSLUCENT, [BLACK], "U1", mesh=mesh)["shift_dE00"]
            for mesh in COARSE_TO_FINE
        ]
    )
    assert (np.diff(shifts, axis=0) > 0).all()


def test_print_flash_print_comes_closer_to_the_bucket(model):
    one, wet, flashed = (
        predicted(model, TRANSLUCENT, [BLACK], "U1", strokes=strokes, flashes=flashes)["shift_dE00"]
        for strokes, flashes in ((1, 0), (2, 0), (2, 1))
    )
    assert (wet < one).all(), "a wet second stroke brings it a little closer"
    assert (flashed < wet - 0.3).all(), "after a flash, clearly closer"


def test_an_opaque_ink_shifts_less_than_its_translucent_twin(model):
    for translucent, opaque in OPAQUE_TWIN.items():
        for mesh in COARSE_TO_FINE:
            shift = predicted(model, [translucent, opaque], [BLACK], "U1", mesh)["shift_dE00"]
            assert shift[1] < 0.6 * shift[0]


@pytest.mark.parametrize("with_white_or_black", ["C02+C24", "C02+C26"])
@pytest.mark.parametrize("base", ["U1", None])
def test_white_or_black_in_an_ink_makes_it_shift_less(with_white_or_black, base):
    """The same clear ink let down by 15 %, on the physics alone: nobody has printed the mix."""
    shift = predicted(physics_alone(), ["C02", with_white_or_black], [WHITE], base)["shift_dE00"]
    assert shift[1] < 0.85 * shift[0]


@pytest.mark.parametrize("ink", [*TRANSLUCENT, "C09"])
def test_a_base_on_every_garment_makes_them_agree(model, ink):
    """Mean difference between any two of sixteen garments."""

    def apart(base: str | None) -> float:
        lab = predicted(model, [ink], GARMENTS, base)[["L", "a", "b"]].to_numpy()
        return delta_e00(lab[:, None], lab[None]).mean()

    assert apart("U1") < 0.25 * apart(None)
