"""What is left over has the cause it has."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from learn.colour.colorimetry import delta_e00
from learn.physics.deposit import complete_meshes
from learn.predict.model import ShiftModel
from tests.small_demo import TRUE_LAB, held_out, small_shop


def test_a_screen_unlike_its_sheet_does_not_bend_what_is_said_of_its_neighbours():
    """A curve through one sheet that is a fifth off would swing on both sides of it."""
    meshes = complete_meshes(small_shop().meshes)
    meshes.loc[meshes["mesh_id"] == "M90-48", "theoretical_ink_cm3_m2"] *= 0.8
    model = ShiftModel(max_iterations=6).fit(replace(small_shop(), meshes=meshes))
    between = held_out("unseen_mesh")
    off = delta_e00(model.predict_lab(between)[0], between[TRUE_LAB].to_numpy())
    assert np.mean(off) < 0.8
