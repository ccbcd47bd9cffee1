"""A model stored and read again."""

import io
import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from learn.physics.drawdowns import SPECTRUM
from learn.predict.model import ShiftModel
from tests.small_demo import held_out, next_prints, small_model, tiny_shop


def test_a_kept_model_predicts_bit_for_bit():
    """Through an .npz that may hold no objects and a JSON text."""
    arrays, description = small_model().to_state()
    kept = io.BytesIO()
    np.savez(kept, **arrays)
    kept.seek(0)
    with np.load(kept, allow_pickle=False) as opened:
        again = ShiftModel.from_state(dict(opened), json.loads(json.dumps(description)))
    setups = pd.concat([next_prints(), held_out("far")], ignore_index=True)
    setups = setups.assign(target_L=50.0, target_a=0.0, target_b=0.0)
    pd.testing.assert_frame_equal(
        again.predict(setups), small_model().predict(setups), check_exact=True
    )
    pd.testing.assert_frame_equal(again.set_aside_, small_model().set_aside_)
    with pytest.raises(ValueError, match="form"):
        ShiftModel.from_state(arrays, description | {"form": 0})
    with pytest.raises(ValueError, match="weights"):
        ShiftModel.from_state(arrays | {"weights": np.zeros(3)}, description)


def test_an_ink_that_contradicts_its_card_is_kept_as_it_was_learnt():
    """Its drawdowns are less certain than of other inks, and its weights are by that measure."""
    shop = tiny_shop()
    ink = shop.prints["ink_id"].value_counts().index[-1]
    its = shop.prints["ink_id"] == ink
    two = shop.prints[its].head(2)
    off = two.drop(columns=two.columns.intersection(SPECTRUM)).assign(L=50.0, a=20.0, b=10.0)
    prints = pd.concat([shop.prints[~its], off], ignore_index=True)
    believed = set(two["print_id"])  # somebody said that they are right
    model = ShiftModel(max_iterations=2, restarts=0).fit(
        replace(shop, prints=prints), trusted=believed
    )
    arrays, description = model.to_state()
    of_inks = [t.strange for t in model.layout_.terms if t.term.levels == "ink"]
    assert np.concatenate(of_inks).max() > 1, "or there was nothing to be kept"
    setups = off.assign(setup_id=off["print_id"])
    kept = ShiftModel.from_state(arrays, description).predict(setups)
    pd.testing.assert_frame_equal(kept, model.predict(setups), check_exact=True)
