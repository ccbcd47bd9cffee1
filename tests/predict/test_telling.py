"""What other plants say of inks, told to a model of a plant that has just begun."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from learn.colour.colorimetry import delta_e00
from learn.fit.ink_latents import N_BENDS, N_SHOWN, columns_of, latents_of, names_of, shown
from learn.kinship.summary import Summary
from learn.predict.model import ShiftModel
from learn.predict.telling import without_sisters
from learn.shop import Shop
from tests.small_demo import small_model
from tests.worlds import tables
from tests.worlds.group import draw_group
from tests.worlds.shop import Drawn

SEED, SIZES = 5, (70, 150)  # of no part


@cache
def plants() -> tuple[list[Drawn], list[Shop], list[ShiftModel]]:
    """Two plants of a group, learnt by a short search."""
    drawn = draw_group(SEED, SIZES, "plastisol", ask=60)
    shops = [tables.read(one) for one in drawn]
    quick = {"max_iterations": 2, "restarts": 0}
    return drawn, shops, [ShiftModel(**quick).fit(shop) for shop in shops]


@cache
def tells() -> Summary:
    """What the second plant says of its inks."""
    return plants()[2][1].summary("Plant B")


@cache
def told() -> ShiftModel:
    """The first, told of them."""
    return plants()[2][0].told_by([tells()])


@cache
def asked(kind: str) -> tuple[pd.DataFrame, np.ndarray]:
    """Set-ups of the plant that has just begun, and their true colour."""
    drawn, shops, _ = plants()
    query = drawn[0].queries[kind]
    return tables.read_query(drawn[0], shops[0], query), query.true_lab


def same(one: ShiftModel, other: ShiftModel, kinds: tuple[str, ...] = ("next", "ink_new")) -> bool:
    """Whether two models predict the same to the last digit."""
    found = [[m.predict_lab(asked(kind)[0]) for kind in kinds] for m in (one, other)]
    return all(
        np.array_equal(a.mean, b.mean) and np.array_equal(a.covariance, b.covariance)
        for a, b in zip(*found, strict=True)
    )


def test_a_plant_that_prints_the_same_inks_helps_with_those_never_printed_here():
    _, _, (here, there) = plants()
    model = told()
    assert model.sisters_.inks
    assert here.sisters_.inks == () and same(here, without_sisters(here))
    alone, known = [], []
    for kind in ("ink_new", "ink_white"):
        setups, true = asked(kind)
        of = setups["ink_id"].isin(model.likeness_.told).to_numpy()
        assert of.any()
        alone.append(delta_e00(here.predict_lab(setups).mean, true)[of])
        known.append(delta_e00(model.predict_lab(setups).mean, true)[of])
    assert np.concatenate(known).mean() < 0.9 * np.concatenate(alone).mean()
    ink = next(one for one in model.sisters_.inks if not here.prints_of(one.ink))
    assert model.sisters_.of(ink.ink) == (("Plant B", there.prints_of(ink.ink)),)


def recalled_and_told(model: ShiftModel, shop: Shop) -> ShiftModel:
    """As a model that is learnt anew is told once more."""
    return model.recall(shop).told_by(model.sisters_.summaries)


def test_what_was_told_is_stored_and_can_be_forgotten():
    _, shops, (here, _) = plants()
    model = told()
    arrays, description = model.to_state()
    again = ShiftModel.from_state(arrays, json.loads(json.dumps(description)))
    assert same(again, model)
    assert again.sisters_.heard == model.sisters_.heard
    assert same(recalled_and_told(again, shops[0]), recalled_and_told(model, shops[0]))
    recalled = again.recall(shops[0])
    for kind in ("next", "ink_new"):
        setups, _ = asked(kind)
        one, other = model.predict_lab(setups), recalled.predict_lab(setups)
        assert np.median(delta_e00(one.mean, other.mean)) < 0.1
        forgot, alone = without_sisters(recalled).predict_lab(setups), here.predict_lab(setups)
        assert np.median(delta_e00(forgot.mean, alone.mean)) < 0.1
    # a plant passes on what its own prints say, not what it heard
    passed, own = model.summary("A").inks, here.summary("A").inks
    assert passed.keys() == own.keys()
    for ink, one in own.items():
        np.testing.assert_allclose(passed[ink].mean[:N_SHOWN], one.mean[:N_SHOWN], atol=0.5)


def test_a_plant_that_contradicts_is_not_followed():
    """The same numbers, each under the name of another ink: predictions stay to the last digit."""
    _, _, (here, _) = plants()
    summary = tells()
    inks = list(summary.inks)
    turned = summary.renamed(dict(zip(inks, [*inks[3:], *inks[:3]], strict=True)))
    model = here.told_by([turned])
    assert model.sisters_.inks == ()
    assert same(here, model)
    (heard,) = model.sisters_.heard
    assert np.isinf(heard.widening) and len(heard.others) > len(inks) / 3


def test_one_of_two_plants_that_contradicts_takes_nothing_from_the_other():
    _, _, (here, _) = plants()
    right = tells()
    inks = list(right.inks)
    turned = right.renamed(dict(zip(inks, [*inks[5:], *inks[:5]], strict=True)))
    both = here.told_by([right, replace(turned, plant="Plant C")])
    assert [np.isinf(one.widening) for one in both.sisters_.heard] == [False, True]
    assert {plant for one in both.sisters_.inks for plant, _ in one.plants} == {"Plant B"}
    assert same(both, told())


def test_other_light_is_not_heard_and_nothing_told_changes_nothing():
    _, _, (here, _) = plants()
    other = replace(tells(), illuminant="D65")
    for summaries in ([], [other]):
        assert same(here.told_by(summaries), here)


def test_a_summary_is_kept_as_numbers_and_checked():
    summary = small_model().summary("Plant A")
    numbers, description = summary.to_state()
    again = Summary.from_state(numbers, json.loads(json.dumps(description)))
    assert again.inks.keys() == summary.inks.keys() and again.latents == summary.latents
    for ink, one in summary.inks.items():
        assert again.inks[ink].prints == one.prints
        for a, b in zip(again.inks[ink][1:], one[1:], strict=True):
            np.testing.assert_allclose(a, b, rtol=1e-12)
    assert not Summary.from_state(*summary.renamed({}).to_state()).inks
    one = len(description["latents"])
    for at, value in ((0, np.nan), (one, -1.0), (2 * one, -1.0)):
        spoilt = numbers.copy()
        spoilt[1, at] = value
        with pytest.raises(ValueError):  # noqa: PT011  (numpy has its own words for some)
            Summary.from_state(spoilt, description)
    with pytest.raises(ValueError, match="fit"):
        Summary.from_state(numbers[:, 1:], description)
    with pytest.raises(ValueError, match="form"):
        Summary.from_state(numbers, description | {"form": 0})


def test_latents_are_what_they_are_called():
    """By numbers: a step of each weight, through K and S and the optics of a drawdown."""
    model = small_model()
    layout, w = model.layout_, model.posterior_.mean
    ink = layout.shelf.ink_ids[0]
    one, columns = latents_of(layout, model.hyper_, ink, w), columns_of(layout, ink)
    assert len(names_of(layout)) == len(one.origin) == len(one.onto)
    np.testing.assert_allclose(
        one.origin + one.onto @ w[columns], one.believed(model.posterior_)[0], atol=1e-12
    )
    rng = np.random.default_rng(0)
    step = np.zeros(layout.size)
    step[columns] = 1e-4 * rng.normal(size=len(columns))

    def at(v: np.ndarray) -> np.ndarray:
        bare = v.copy()
        bare[layout.slices[2].start : layout.slices[4].stop] = 0  # drawdowns alone
        state = layout.state(bare)
        i = layout.shelf.ink_ids.index(ink)
        return shown(state.log_k[i], state.log_s[i], layout.viewing)

    moved = (at(w + step) - at(w)) / 1e-4
    np.testing.assert_allclose(moved, one.onto[:N_SHOWN] @ step[columns] / 1e-4, atol=0.02)
    bends = slice(N_SHOWN, N_SHOWN + N_BENDS)
    own = layout.slices[2].start + 0, layout.slices[3].start + 0
    common = layout.slices[4]
    k = w[own[0] : own[0] + 5] + w[common][:5]
    s = w[own[1] : own[1] + 5] + w[common][5:]
    np.testing.assert_allclose((one.origin + one.onto @ w[columns])[bends], [*k, *s], atol=1e-12)
