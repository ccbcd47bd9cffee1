"""Opacity of the demo shop's inks at its usual film."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from learn.physics.drawdowns import lab_columns
from learn.planning.opacity import contrast_ratios, opacity, usual_film
from learn.planning.plan import usual_setup
from tests.small_demo import small_model, small_shop


def usual(based: bool) -> dict:
    prints = small_shop().prints
    return usual_setup(prints[prints["underbase_ink_id"].notna() == based], [])


def test_it_is_what_the_cards_read():
    """ISO 6504: luminance over black by that over white, of the shop's own drawdowns."""
    model, shop = small_model(), small_shop()
    cards = shop.drawdowns[np.isfinite(shop.drawdowns["film_um"])]
    lab = lab_columns(cards, model.viewing_)
    Y = pd.Series(np.maximum((lab[:, 0] + 16) / 116, 0.0) ** 3, cards.index)  # CIE 15, L above 8
    where = [cards["ink_id"], cards["film_um"]]
    read = pd.concat(
        {
            card: Y[of].groupby([one[of] for one in where]).mean()
            for card in ("KCARD", "WCARD")
            for of in [cards["substrate_id"] == card]
        },
        axis=1,
    ).dropna()
    inks, film = (read.index.get_level_values(i) for i in (0, 1))
    low, ratio, high = contrast_ratios(model, list(inks), film.to_numpy()).T
    measured = (read["KCARD"] / read["WCARD"]).to_numpy()
    assert len(measured) > 5
    assert np.median(np.abs(ratio - measured)) < 0.02
    held = (low < measured) & (measured < high)
    assert held.sum() >= binom.ppf(0.01, len(held), 0.9), "90 % bands, by chance at 99 %"
    assert np.median(high - low) < 0.15, "and they say something"


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
