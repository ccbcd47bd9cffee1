"""The second family of shops: what the trade knows of a press holds, and the tables are honest."""

from functools import cache

import numpy as np
import pandas as pd
import pytest

from tests.worlds import tables
from tests.worlds.group import OF_LIGHT, draw_group
from tests.worlds.laws import NODES, draw_laws, patches
from tests.worlds.light import NM, Ground, Paths, apart, lab_of, over
from tests.worlds.mixing import STRONGEST, WEAKEST, draw_mixing, lots_in_use, with_mix
from tests.worlds.parts import GROUPS, PARTS
from tests.worlds.shop import KINDS, PLAIN_TO_SEE, Drawn, draw_shop

SEED, SIZE, ASK = 11, 120, 30  # of no part


@cache
def drawn(kind: str) -> Drawn:
    return draw_shop(SEED, SIZE, kind, ask=ASK)


def test_the_same_seed_is_the_same_shop():
    again = draw_shop(SEED, SIZE, "water", ask=ASK)
    for name, frame in tables.frames(drawn("water")).items():
        pd.testing.assert_frame_equal(frame, tables.frames(again)[name])
    other = draw_shop(SEED + 1, SIZE, "water", ask=ASK)
    assert other.world.laws != again.world.laws


def test_no_shop_is_in_two_parts():
    shops = [which for parts in (PARTS, GROUPS) for part in parts.values() for which in part]
    assert len({which.seed for which in shops}) == len(shops) >= 24
    assert {w.kind for part in PARTS.values() for w in part} == set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_readers_take_every_table(kind):
    shop = tables.read(drawn(kind))
    assert len(shop.prints) == SIZE
    measured = lab_of(drawn(kind).measured)
    labs = shop.prints[["L", "a", "b"]].to_numpy()
    known = np.isfinite(labs).all(axis=1)
    assert np.abs(labs[known] - measured[known]).max(initial=0) < 0.01
    assert (kind == "few") == ("r400" not in shop.prints or shop.prints["r400"].isna().all())
    for query in drawn(kind).queries.values():
        assert len(tables.read_query(drawn(kind), shop, query)) == len(query) > 0


# common practice, no source: a harder, more upright blade, a wider gap lay less ink; more
# strokes and a thicker stencil more
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("column", "steps", "way"),
    [
        ("shore", [50.0, 60, 70, 80, 90], -1),
        ("angle", [2.0, 5, 10, 20, 35], 1),
        ("gap", [0.5, 1, 2, 4, 6], -1),
        ("eom", [3.0, 10, 20, 40, 80], 1),
        ("strokes", [3, 4, 5, 6], 1),
    ],
)
def test_film_goes_the_way_the_trade_says(kind, column, steps, way):
    for seed in (SEED, SEED + 1, SEED + 2):
        shop = drawn(kind) if seed == SEED else draw_shop(seed, 40, kind, ask=5)
        films = [
            shop.world.films_um(shop.history.assign(**{column: step, "flashes": 1}))[0]
            if column == "strokes"
            else shop.world.films_um(shop.history.assign(**{column: step}))[0]
            for step in steps
        ]
        assert (way * np.diff(films, axis=0) > 0).all()


def test_no_light_is_won():
    """A film neither makes light nor, if it does not absorb, loses any."""
    rng = np.random.default_rng(5)
    a, s, film = (10 ** rng.uniform(-4, 1, (500, len(NM))) for _ in range(3))
    white = Ground(np.ones_like(a), np.ones_like(a))
    paths = Paths(2.0, 0.5, 0.6)
    found = over(a, s, film, white, paths)
    assert all((part >= -1e-9).all() and (part <= 1 + 1e-9).all() for part in found)
    lossless = over(0 * a, s, film, white, paths)
    assert np.abs(np.array(lossless) - 1).max() < 1e-3
    for kind in KINDS:
        truth = drawn(kind).world.reflectance(drawn(kind).history)
        assert truth.min() > 0 and truth.max() < 1


def test_a_film_of_nothing_shows_its_ground():
    ground = Ground(np.full((1, 31), 0.4), np.full((1, 31), 0.3))
    found = over(np.full((1, 31), 0.2), np.full((1, 31), 0.1), 1e-9, ground, Paths(2.0, 0.5, 0.6))
    np.testing.assert_allclose(np.array(found), np.array(ground), rtol=1e-6)


def test_wrong_rows_are_those_listed_and_no_others():
    # a shop large enough to have some
    shop = draw_shop(SEED, 400, "plastisol", ask=5)
    off = apart(lab_of(shop.measured), lab_of(shop.world.reflectance(shop.history)))
    right = np.delete(off, list(shop.wrong))
    assert shop.wrong and off[list(shop.wrong)].min() > 0.8 * PLAIN_TO_SEE
    assert right.max() < PLAIN_TO_SEE
    assert 0.15 < np.median(right) < 0.6  # what press and instrument scatter


def test_patches_keep_the_mean_film():
    for seed in range(12):
        laws = draw_laws(np.random.default_rng(seed), water=False)
        found = patches(laws, np.array([0.05, 0.2, 0.5]))
        assert found.shape == (3, NODES)
        np.testing.assert_allclose(found.mean(axis=1), 1)
        assert (np.diff(found, axis=1) >= 0).all() and (np.diff(found.std(axis=1)) > 0).all()


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_kept_back_was_not_printed(kind):
    shop = drawn(kind)
    history, asked = shop.history, shop.queries
    for query, column in (
        ("new_mesh", "mesh"),
        ("new_garment", "cloth"),
        ("new_family", "cloth"),
        ("lot_new", "lot"),
        ("far", "press"),
        ("press_new", "press"),
        ("ink_new", "ink"),
        ("ink_white", "ink"),
    ):
        assert not set(asked[query].setups[column]) & set(history[column]), query
    assert set(asked["lot"].setups["lot"]) <= set(history["lot"])
    assert history["ink"].value_counts()[list(set(asked["few_prints"].setups["ink"]))].max() <= 3
    assert (asked["next"].setups["day"] >= history["day"].max()).all()


def test_a_mix_that_is_all_of_one_ink_is_that_ink_and_a_trace_has_the_drawn_strength():
    world = drawn("plastisol").world
    laws = draw_mixing(np.random.default_rng(SEED), world)
    assert (np.exp(laws.strength) >= WEAKEST).all() and (np.exp(laws.strength) <= STRONGEST).all()
    ink, white = 0, int(world.inks.bases[0])
    lots = lots_in_use(world, 0.0)
    assert lots[white] == -1
    by_a, _ = world.lots.spectral(lots[[ink]])
    alone = with_mix(world, laws, {ink: 1.0}, lots).inks
    np.testing.assert_allclose(alone.absorption[-1], world.inks.absorption[ink] * by_a[0])
    traced = with_mix(world, laws, {ink: 1e-5, white: 1.0}, lots).inks
    dry = 1e-5 * world.inks.solids[ink] / laws.density[ink]
    share = dry / (dry + world.inks.solids[white] / laws.density[white])
    more = traced.absorption[-1] - (1 - share) * world.inks.absorption[white]
    own = share * world.inks.absorption[ink] * by_a[0]
    band = int(own.argmax())
    assert more[band] / own[band] == pytest.approx(np.exp(laws.strength[ink]), rel=0.02)


def test_plants_of_a_group_have_their_inks_in_common_and_nothing_else():
    one, other = draw_group(SEED, (60, 90), "plastisol", ask=10)
    assert one.world.inks is other.world.inks
    for name in OF_LIGHT:
        assert getattr(one.world.laws, name) == getattr(other.world.laws, name)
    assert one.world.laws.transfer != other.world.laws.transfer
    assert not np.array_equal(one.world.lots.strength[:5], other.world.lots.strength[:5])
    assert set(one.queries["ink_new"].setups["ink"]) != set(other.queries["ink_new"].setups["ink"])
    cards = [lab_of(plant.world.bare()[plant.world.cloths.cards]) for plant in (one, other)]
    assert 0.02 < apart(*cards).mean() < 1.5  # two instruments
    for plant in (one, other):
        assert len(tables.read(plant).prints) == len(plant.history)
    again = draw_group(SEED, (60, 90), "plastisol", ask=10)
    np.testing.assert_array_equal(again[1].measured, other.measured)
