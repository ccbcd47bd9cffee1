"""A batch appended to a model, against learning everything anew."""

from dataclasses import replace

import numpy as np
import pytest

from learn.colour.colorimetry import delta_e00
from learn.predict.model import ShiftModel
from tests.small_demo import tiny_shop


def test_a_batch_appended_is_nearly_what_learning_it_all_anew_gives():
    """Hyper-parameters stay, so the two differ a little; stored and read again, nothing does."""
    shop = tiny_shop()
    prints = shop.prints
    last = prints["job_id"].isin(prints["job_id"].dropna().unique()[-4:])
    early = replace(shop, prints=prints[~last].reset_index(drop=True))
    quick = {"max_iterations": 6, "restarts": 0}
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
