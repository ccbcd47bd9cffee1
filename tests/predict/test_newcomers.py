"""What the tables hold and the model has not learnt can be predicted at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import delta_e00
from learn.errors import Unusable
from learn.normal import Z90, sd_of
from learn.predict.model import ShiftModel
from learn.shop import Shop
from tests.small_demo import (
    TINY_INKS,
    TRUE_LAB,
    demo,
    held_out,
    learnt,
    next_prints,
    restricted,
    tiny_model,
    tiny_shop,
)


def shop_with(*inks: str) -> Shop:
    """The tiny shop with more inks described, in the order of the shop's own table."""
    return restricted(demo(), tiny_shop().prints, [*TINY_INKS, *inks])


def stored() -> ShiftModel:
    return ShiftModel.from_state(*tiny_model().to_state())


def of_new_ink() -> pd.DataFrame:
    rows = held_out("unseen_ink")
    base = rows["underbase_ink_id"]
    own = (rows["ink_id"] == "C08") & (base.isna() | base.isin(TINY_INKS))
    return rows[own].reset_index(drop=True)


def test_a_new_ink_is_predicted_from_its_cards_as_if_it_had_been_there_when_learning():
    shop, new = shop_with("C08"), of_new_ink()
    with pytest.raises(Unusable, match="C08"):
        stored().predict_lab(new)
    told = stored().told_of(shop)
    p, known = told.predict_lab(new), learnt(shop).predict_lab(new)
    true = new[TRUE_LAB].to_numpy(float)
    assert np.median(delta_e00(p.mean, true)) < 1.0, "the floor is 0.4"
    assert delta_e00(p.mean, known.mean).max() < 0.3
    assert np.abs(np.log(sd_of(p.covariance) / sd_of(known.covariance))).max() < 0.25
    assert (np.abs(true - p.mean) < Z90 * sd_of(p.covariance)).mean() > 0.8
    assert {("ink", "never", "C08")} <= set(told.unseen(new)[0])


def test_what_was_learnt_stays_when_something_new_is_told():
    rows = next_prints(TINY_INKS)
    one, other = stored(), stored().told_of(shop_with("C08", "C09"))
    before, after = one.predict_lab(rows), other.predict_lab(rows)
    np.testing.assert_allclose(after.mean, before.mean, rtol=0, atol=1e-12)
    np.testing.assert_allclose(after.covariance, before.covariance, rtol=0, atol=1e-12)
    # a corrected row of a known ink waits for learning
    changed = tiny_shop().inks.assign(solids_vol_pct=50.0)
    corrected = stored().told_of(replace(shop_with("C08"), inks=changed))
    np.testing.assert_array_equal(corrected.predict_lab(rows).mean, before.mean)


def test_a_new_garment_and_mesh_are_as_described_and_what_is_gone_cannot_be_named():
    shop, rows = tiny_shop(), next_prints(TINY_INKS).head(8)
    garment = shop.substrates[shop.substrates["substrate_id"] == rows["substrate_id"][0]]
    twin = shop.meshes[shop.meshes["mesh_id"] == rows["mesh_id"][0]]
    gone = "C24" if rows["ink_id"][0] != "C24" else "C02"
    fewer = shop.inks[shop.inks["ink_id"] != gone]
    model = stored().told_of(
        replace(
            shop,
            inks=fewer,
            substrates=garment.assign(substrate_id="new"),
            meshes=twin.assign(mesh_id="new"),
        )
    )
    own = rows.head(1).assign(underbase_ink_id=None, underbase_mesh_id=None)
    as_new = own.assign(substrate_id="new", mesh_id="new")
    p, was = model.predict_lab(as_new), stored().predict_lab(own)
    # what that very garment and mesh taught is lost
    assert (np.abs(p.mean - was.mean) < Z90 * sd_of(p.covariance)).all()
    assert (sd_of(p.covariance) > sd_of(was.covariance)).all()
    with pytest.raises(Unusable, match=gone):
        model.predict_lab(as_new.assign(ink_id=gone))
    kept = stored().told_of(replace(shop, inks=fewer), gone=True)
    assert len(kept.predict_lab(own.assign(ink_id=gone)).mean) == 1


def test_a_batch_of_a_new_ink_is_appended_alike_whether_the_model_was_told_before_or_not():
    shop, new = shop_with("C08"), of_new_ink().head(6)
    lab = dict(zip("Lab", new[TRUE_LAB].to_numpy(float).T, strict=True))
    batch = new.rename(columns={"setup_id": "print_id"}).assign(**lab)
    batch = batch.reindex(columns=shop.prints.columns)
    grown = replace(shop, prints=pd.concat([shop.prints, batch], ignore_index=True))
    one, other = stored().append(grown), stored().told_of(shop).append(grown)
    rows = of_new_ink()
    np.testing.assert_allclose(
        one.predict_lab(rows).mean, other.predict_lab(rows).mean, rtol=0, atol=1e-9
    )
    true = rows[TRUE_LAB].to_numpy(float)
    before = delta_e00(stored().told_of(shop).predict_lab(rows).mean, true)
    assert np.median(delta_e00(one.predict_lab(rows).mean, true)) < np.median(before)
