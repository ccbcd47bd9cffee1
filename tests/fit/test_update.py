"""A batch appended to a model, against learning everything anew."""

import copy
from collections.abc import Collection
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import delta_e00
from learn.fit import update
from learn.normal import Z90, sd_of
from learn.physics.drawdowns import SPECTRUM
from learn.predict.model import ShiftModel
from learn.shop import Shop
from tests.small_demo import small_model, small_shop, tiny_shop


def test_a_batch_appended_is_nearly_what_learning_it_all_anew_gives():
    """Hyper-parameters stay, so the two differ a little; stored and read again, nothing does."""
    shop = tiny_shop()
    prints = shop.prints
    last = prints["job_id"].isin(prints["job_id"].dropna().unique()[-4:])
    early = replace(shop, prints=prints[~last].reset_index(drop=True))
    quick = {"max_iterations": 2, "restarts": 0}
    model = ShiftModel(**quick).fit(early)
    stored = ShiftModel.from_state(*model.to_state())
    before = stored.predict_lab(prints[last])
    stored.append(shop)
    assert stored.appended_ + len(stored.set_aside_) >= last.sum()
    after = stored.predict_lab(prints[last])
    sd = np.sqrt(np.einsum("nii->ni", before.covariance)).mean()
    assert np.sqrt(np.einsum("nii->ni", after.covariance)).mean() < sd, "it knows more"
    anew = ShiftModel(**quick).fit(shop).predict_lab(prints)
    gap = delta_e00(stored.predict_lab(prints).mean, anew.mean)
    assert np.median(gap) < 0.15
    again = ShiftModel.from_state(*stored.to_state())
    np.testing.assert_array_equal(again.predict_lab(prints).mean, stored.predict_lab(prints).mean)


def test_what_was_learnt_from_must_not_have_changed_under_a_batch():
    shop = tiny_shop()
    model = ShiftModel(terms=[], max_iterations=0).fit(shop)
    other = shop.prints.assign(strokes=shop.prints["strokes"].where(shop.prints.index != 3, 3.0))
    with pytest.raises(ValueError, match=str(shop.prints["print_id"][3])):
        model.append(replace(shop, prints=other))
    with pytest.raises(ValueError, match="changed"):
        model.append(replace(shop, prints=shop.prints[1:]))


def the_ink_of_another_bucket(monkeypatch, *, judged: bool) -> tuple[float, float, float]:
    """Bright red was never printed; three prints come out as deep red does. What follows for its
    other set-ups: mean sd had they come out as predicted, and as it is, and the share of deep
    red's L, a and b within the 90 % bands."""
    if not judged:
        monkeypatch.setattr(update, "contradicted", lambda *_: None)
    shop = small_shop()
    rows = shop.prints[shop.prints["ink_id"] == "C10"]
    rows = rows.drop_duplicates(["substrate_id", "mesh_id", "underbase_ink_id"]).head(16)
    red = rows.reset_index(drop=True).assign(ink_lot=None, job_id=[f"T{i}" for i in range(16)])
    asked, others = red.assign(ink_id="C08"), np.arange(3, 16)
    deep, bright = small_model().means(red), small_model().means(asked)

    def after(lab: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        read = dict(zip("Lab", lab[:3].T, strict=True))
        first = asked.iloc[:3].assign(print_id=["T0", "T1", "T2"], **read)
        first = first.drop(columns=first.columns.intersection(SPECTRUM))
        both = replace(shop, prints=pd.concat([shop.prints, first], ignore_index=True))
        model = copy.copy(small_model()).append(both, trusted={"T0", "T1", "T2"})
        said = model.predict_lab(asked.iloc[others])
        return said.mean, sd_of(said.covariance)

    mean, sd = after(deep)
    inside = np.abs(deep[others] - mean) <= Z90 * sd
    return float(after(bright)[1].mean()), float(sd.mean()), float(inside.mean())


def test_an_ink_whose_first_prints_contradict_its_card_widens(monkeypatch):
    as_predicted, sd, inside = the_ink_of_another_bucket(monkeypatch, judged=True)
    assert sd > 1.2 * as_predicted
    _, narrow, fewer = the_ink_of_another_bucket(monkeypatch, judged=False)
    assert sd > 1.2 * narrow
    assert inside > max(0.8, fewer)


def test_an_ink_whose_only_print_does_not_fit_its_card_never_goes():
    """Learnt anew or appended, until somebody says that the print is right or a second one agrees;
    also where it is so far off that it is set aside."""
    shop = tiny_shop()
    ink = shop.prints["ink_id"].value_counts().index[-1]
    its = shop.prints[shop.prints["ink_id"] == ink].reset_index(drop=True)
    others = shop.prints[shop.prints["ink_id"] != ink]
    quick = {"max_iterations": 2, "restarts": 0}
    model = ShiftModel(**quick).fit(replace(shop, prints=others.reset_index(drop=True)))
    as_said = dict(zip("Lab", model.means(its).T, strict=True))
    read = its.assign(**as_said).drop(columns=its.columns.intersection(SPECTRUM))
    target = its.assign(setup_id=its["print_id"], target_L=0.0, target_a=0.0, target_b=0.0)

    def hows(learnt: ShiftModel) -> set[str]:
        said = learnt.predict_lab(target).mean
        aimed = target.assign(target_L=said[:, 0], target_a=said[:, 1], target_b=said[:, 2])
        found = learnt.predict(aimed.assign(tolerance_dE00=30.0))
        how = {one.how for some in found["unseen"] for one in some if one.what == "ink"}
        assert (found["verdict"] == "go").all() != ("contradict" in how)
        return how

    def prints(*off: float) -> Shop:
        some = read.head(len(off))
        some = some.assign(b=some["b"] + np.array(off))
        return replace(shop, prints=pd.concat([others, some], ignore_index=True))

    def appended(*off: float, trusted: Collection[str] = ()) -> set[str]:
        learnt = copy.copy(model).append(prints(off[0]), trusted=trusted)
        return hows(learnt if len(off) == 1 else learnt.append(prints(*off), trusted=trusted))

    assert appended(0.0) == {"few"}
    for off in (15.0, 60.0):
        assert appended(off) == {"contradict"}
        assert appended(off, trusted=[str(its["print_id"][0])]) == {"few"}
    anew = ShiftModel(**quick).fit(prints(60.0))
    stored = ShiftModel.from_state(*anew.to_state())
    assert hows(anew) == hows(stored) == {"contradict"}
    wide, joint = stored.predict_lab(target).covariance, stored.predict_joint(target, 1).covariance
    assert (sd_of(wide)[:, 2] > 8).all(), "the bands reach to what was printed"
    np.testing.assert_array_equal(wide, anew.predict_lab(target).covariance)
    np.testing.assert_allclose(joint, wide, rtol=1e-6, atol=1e-9)
