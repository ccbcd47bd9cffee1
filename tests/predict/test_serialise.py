"""A model stored and read again."""

import io
import json

import numpy as np
import pandas as pd
import pytest

from learn.predict.model import ShiftModel
from tests.small_demo import held_out, next_prints, small_model


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
