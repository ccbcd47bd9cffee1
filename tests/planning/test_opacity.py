"""Opacity of the demo shop's inks at its usual film."""

import numpy as np
import pytest
from scipy.linalg import solve_triangular

from learn.physics.opacity import show_through
from learn.planning.opacity import opacity, usual_film
from learn.planning.plan import usual_setup
from tests.small_demo import small_model, small_shop


def usual(based: bool) -> dict:
    prints = small_shop().prints
    return usual_setup(prints[prints["underbase_ink_id"].notna() == based], [])


def test_band_is_that_of_drawn_inks():
    """K and S drawn from what the history leaves open of them, taken through the optics."""
    model, told = small_model(), opacity(small_model(), usual(based=True))
    rng = np.random.default_rng(0)
    z = rng.standard_normal((len(model.weights_), 400))
    away = solve_triangular(model.posterior_.root, z, check_finite=False).T
    film = told["film_um"].to_numpy()
    drawn = []
    for step in away:
        state = model.layout_.state(model.weights_ + step)
        left = show_through(np.exp(state.log_k), np.exp(state.log_s), film, model.viewing_)
        drawn.append(1 - left)
    lo, hi = np.quantile(drawn, [0.05, 0.95], axis=0)
    width = hi - lo
    assert (width > 0.002).all(), "every ink is known from a few readings alone"
    assert np.abs(told["lo"] - lo).max() < 0.25 * width.max()
    np.testing.assert_allclose(told["hi"] - told["lo"], width, rtol=0.25)
    assert told["contrast_ratio"].between(told["lo"], told["hi"]).all()


def test_opaque_inks_hide_more_than_clear_ones():
    """Common practice, no source. C09 is C08 made opaque; C24 and U1 are whites, U1 the base."""
    told = opacity(small_model(), usual(based=False)).set_index("ink_id")
    assert told.loc["C09", "lo"] > told.loc["C08", "hi"]
    assert told["contrast_ratio"].idxmin() == "C02", "clear magenta"


def test_film_is_that_of_the_usual_set_up():
    model, set_up = small_model(), usual(based=True)
    told = opacity(model, set_up).set_index("ink_id")
    twice = opacity(model, set_up | {"strokes": 2.0, "flash_count": 1.0}).set_index("ink_id")
    top = told.index != "U1"
    assert (twice["film_um"] > told["film_um"])[top].all()
    assert (twice["contrast_ratio"] > told["contrast_ratio"])[top].all()
    # the base goes through its own, coarser mesh
    assert told.loc["U1", "film_um"] > 1.2 * told.loc["C24", "film_um"]
    base = list(told.index).index("U1")
    thin, thick = (usual_film(model, set_up | {"underbase_strokes": n}) for n in (1.0, 3.0))
    assert thick[base] > 1.1 * thin[base]
    np.testing.assert_array_equal(np.delete(thick, base), np.delete(thin, base))
    with pytest.raises(ValueError, match="mesh"):
        opacity(model, set_up | {"mesh_id": "no such"})
