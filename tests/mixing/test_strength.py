"""Strengths of inks in mixes: exact limits, what tints and prints teach, bands that hold."""

from __future__ import annotations

from copy import copy
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from learn.mixing.evidence import (
    not_measured,
    of_print,
    of_tints,
    printed_so,
    recipes_of,
    strengths_of,
)
from learn.mixing.law import Law
from learn.mixing.mixture import Mixing
from learn.mixing.recipes import recipes
from learn.mixing.seen import Seen
from learn.mixing.strength import (
    AS_NORMAL,
    OWN_STRENGTHS,
    STRENGTH_SCALE,
    Observation,
    Strengths,
    learn,
)
from learn.mixing.tint import tint_worth
from learn.normal import Z90
from tests.mixing.test_recipes import GARMENTS, INKS, SETUP
from tests.small_demo import small_model, small_shop

WHITE = "C24"
TWICE = ["C08", "C10", "C19"]


@pytest.fixture(scope="module")
def mixing():
    return Mixing.of(small_model(), SETUP, GARMENTS, INKS)


def strong(mixing: Mixing, ink: str, factor: float) -> Law:
    strength = np.zeros(len(mixing.inks))
    strength[mixing.inks.index(ink)] = np.log(factor)
    return Law(strength, None)


def tints(factors: dict[str, float]) -> pd.DataFrame:
    """Cards of a fifth of each ink in white, as they come out at these strengths."""
    card = small_shop().substrates.query("kind == 'card'")["substrate_id"].iloc[0]
    rows = pd.DataFrame(
        [{"ink_id": ink, "substrate_id": card, "mixed_with": WHITE} for ink in factors]
    ).assign(film_um=60.0, share_pct=20.0, L=50.0, a=0.0, b=0.0)
    told = of_tints(small_model(), rows)
    labs = [
        one.lab(Law(np.log([f, 1.0]), None), 1)[0]
        for one, f in zip(told, factors.values(), strict=True)
    ]
    return rows.assign(**dict(zip("Lab", np.array(labs).T, strict=True)))


def test_a_mix_of_one_ink_is_that_ink_whatever_its_strength(mixing):
    law = mixing.strengths.law(INKS, mixing.strengths.drawn(np.random.default_rng(3), len(INKS)))
    assert np.abs(law.log_strength).max() > 0.1
    assert_allclose(mixing.lab(np.eye(len(INKS)), law), mixing.lab(np.eye(len(INKS))), atol=1e-9)


def test_nine_of_ten_inks_never_mixed_do_a_third_to_three_times_what_their_film_says():
    """As Levinson, Berdahl and Akbari 2005 found of 18 pigments, 0.45 to 3.2 (from memory)."""
    assert np.exp(Z90 * Strengths().sd_of("C08")) == pytest.approx(3.1, abs=0.2)


def test_a_trace_of_strength_two_absorbs_as_twice_its_share_and_scatters_as_before(mixing):
    shares = np.zeros((2, len(INKS)))
    shares[:, 0], shares[:, 3] = [1e-6, 1.0], [1 - 1e-6, 0.0]
    blend = strong(mixing, "C08", 2.0).blend(shares)
    assert_allclose(blend.absorbing[:, 0], [2e-6, 1.0], rtol=1e-5)
    assert_allclose(blend.absorbing[:, 3], shares[:, 3])
    assert_allclose(blend.scattering, shares)


def test_tint_cards_tell_strengths():
    true = {"C08": 2.2, "C10": 0.6, "C19": 1.0}
    shop = replace(small_shop(), tints=tints(true))
    known = strengths_of(small_model(), shop)
    for ink, factor in true.items():
        off = np.log(known.of(ink) / known.of(WHITE)) - np.log(factor)
        assert abs(off) < 2 * known.sd_of(ink)
        assert abs(off) < 0.7 * abs(np.log(factor)) + 0.1
    assert known.of("C08") > 1.3 > 0.85 > known.of("C10")
    assert known.told["C08",] == 1
    assert known.sd_of("C08") < 0.7 * Strengths().sd_of("C08")


def test_what_cards_agree_on_holds_in_part_for_an_ink_without_one():
    known = strengths_of(small_model(), replace(small_shop(), tints=tints(dict.fromkeys(TWICE, 2))))
    assert "C26" not in TWICE and not known.told.get(("C26",))
    assert 1.15 < known.of("C26") < min(known.of(ink) for ink in TWICE)
    assert known.sd_of(TWICE[0]) < known.sd_of("C26") < Strengths().sd_of("C26")
    # as it is told, so it is drawn
    rng = np.random.default_rng(5)
    drawn = np.array(
        [known.law(["C26", TWICE[0]], known.drawn(rng, 2)).log_strength for _ in range(4000)]
    )
    told = [known.sd_of("C26"), known.sd_of(TWICE[0])]
    own = np.sqrt(drawn.var(axis=0) - (known.pair_scale * OWN_STRENGTHS[0]) ** 2)
    assert_allclose(own, told, rtol=0.05)


def test_a_white_that_dirties_a_tint_does_not_hide_the_more():
    known = strengths_of(small_model(), replace(small_shop(), tints=tints({"U1": 3.0})))
    law = known.law(["U1", WHITE])
    assert law.log_strength[0] > 0.05
    assert np.abs(law.log_scatter).max() < 0.3 * law.log_strength[0]


def test_one_card_narrows_the_next_mix_and_a_print_narrows_it_more():
    shop = replace(small_shop(), tints=tints({"C08": 1.8}))
    carded = strengths_of(small_model(), shop)
    mix = (("C08", 30.0), (WHITE, 70.0))
    printed = pd.Series({**SETUP, "substrate_id": GARMENTS[0], "print_id": "X"})
    fact = of_print(small_model(), printed, mix, np.zeros(3), carded)
    read = fact.lab(Law(np.log([1.8, 1.0]), None), 1)[0]
    of_mix = {"ink_id": "MIX", "ink_lot": None, "mix": mix, "printed_on": pd.NaT}
    frame = pd.DataFrame([{**printed, **of_mix}])
    frame = frame.assign(**dict(zip("Lab", read, strict=True)))
    both = strengths_of(small_model(), replace(shop, prints=frame))
    other, view = {"C08": 3.1, WHITE: 6.9}, small_model().viewing_
    for recipe, garment, left in ((dict(mix), 0, 0), (other, 0, 1), (dict(mix), 1, 1)):
        measured = {GARMENTS[garment]: read.round(2)}
        found = not_measured(replace(shop, prints=frame), view, recipe, measured)
        assert len(found.prints) == left, "one reading is told once"
        there = printed_so(replace(shop, prints=frame), view, recipe, SETUP, [GARMENTS[garment]])
        assert len(there) == 1 - left
        assert all(np.allclose(row[["L", "a", "b"]].astype(float), read) for row in there.values())
    through = SETUP | {"mesh_id": "M120-34"}
    assert not printed_so(replace(shop, prints=frame), view, dict(mix), through, GARMENTS)
    shares = np.array([[0.5, 0.5]])

    def sd(known: Strengths) -> float:
        mixed = Mixing.of(small_model(), SETUP, GARMENTS, ["C08", WHITE], known)
        return float(np.sqrt(np.diag(mixed.predict(shares).joint.covariance[0])).mean())

    certain = Mixing.of(small_model(), SETUP, GARMENTS, ["C08", WHITE])
    least = certain.predict(shares, certain.law).joint.covariance[0]
    assert sd(Strengths()) > 1.1 * sd(carded) > 1.1 * sd(both)
    assert sd(both) > np.sqrt(np.diag(least)).mean()


def test_inks_never_mixed_ask_for_a_test_print_and_a_card_takes_that_away(mixing):
    shares = np.array([0.3, 0, 0, 0.7, 0])
    hidden = mixing.lab(shares)[0]
    first = recipes(small_model(), hidden[0], SETUP, GARMENTS[:1], inks=["C08", WHITE])
    line = first.lines.iloc[0]
    assert line["verdict"] == "test" and line["worst_dE00"] < 0.3
    assert line["unseen"][0][:2] == ("mix", "never")
    known = strengths_of(small_model(), replace(small_shop(), tints=tints({"C08": 1.0})))
    told = recipes(
        small_model(), hidden[0], SETUP, GARMENTS[:1], inks=["C08", WHITE], strengths=known
    )
    assert all(one.what != "mix" for one in told.lines["unseen"].iloc[0])
    assert told.lines["p_all"].iloc[0] > line["p_all"]


def plain_observation(
    rng: np.random.Generator, inks: list[int], strength: np.ndarray, pairs: np.ndarray
) -> Observation:
    """A mix in a world where Lab is a straight function of the law (no optics)."""
    shares = rng.dirichlet(np.full(len(inks), 3.0))
    by = rng.normal(0, 12, (len(inks), 3))
    by -= by.mean(axis=0)
    by_pair = rng.normal(0, 8, (4, 3))

    def lab(law: Law, k: int) -> np.ndarray:
        at = np.broadcast_to(law.log_strength, (k, len(inks)))
        met = 4 * np.outer(shares, shares)
        bent = np.zeros((k, 4))
        if law.pairs is not None:
            p = np.broadcast_to(law.pairs, (k, *law.pairs.shape[-3:]))
            bent = np.einsum("ij,kijb->kb", np.triu(met, 1), p)
        if law.own is not None:
            bent = bent + law.own
        return at @ by + bent @ by_pair

    true = lab(Law(strength[inks], pairs[np.ix_(inks, inks)]), 1)[0]
    measured = true + rng.normal(0, 1.0, 3)
    names = tuple(f"I{i}" for i in inks)
    return Observation(names, shares, lab, measured, 0.5 * np.eye(3), 0.5 * np.eye(3))


def test_what_is_said_of_strengths_holds_nine_times_of_ten():
    """Strengths drawn from the published heavy-tailed prior (Student t, four degrees)."""
    rng = np.random.default_rng(12)
    inside, narrower = [], []
    for _ in range(12):
        strength = STRENGTH_SCALE * rng.standard_t(4, 8)
        seen = [plain_observation(rng, [i, 7], strength, np.zeros((8, 8, 4))) for i in range(6)]
        known = learn(seen)
        for i in range(6):
            # only the difference of two strengths shows
            at = [known.start[f"I{i}",], known.start["I7",]]
            off = known.mean[at[0]] - known.mean[at[1]] - (strength[i] - strength[7])
            sd = np.linalg.norm(known.root[at[0]] - known.root[at[1]])
            inside.append(abs(off) < Z90 * sd)
            narrower.append(sd / (np.sqrt(2) * AS_NORMAL * STRENGTH_SCALE))
    assert 0.82 < np.mean(inside) <= 1
    assert np.mean(narrower) < 0.7


def test_a_wrong_card_among_many_counts_for_little():
    rng = np.random.default_rng(5)
    strength, none = np.zeros(3), np.zeros((3, 3, 4))
    seen = [plain_observation(rng, [0, 1], strength, none) for _ in range(8)]
    right = learn(seen)
    wrong = replace(seen[0], measured=seen[0].measured + np.array([40.0, -30.0, 30.0]))
    spoilt = learn([wrong, *seen[1:]])
    assert abs(np.log(spoilt.of("I0") / right.of("I0"))) < 0.1
    assert abs(np.log(spoilt.of("I2") / right.of("I2"))) < 0.1  # by what all have in common


def test_of_nothing_nothing_is_learnt():
    nothing = learn([])
    assert not nothing.told and nothing.of("I0") == 1
    assert nothing.sd_of("I0") == Strengths().sd_of("I0")


def test_a_test_print_as_expected_moves_nothing_and_narrows(mixing):
    shares = np.array([0.6, 0, 0, 0.4, 0])
    expected = mixing.lab(shares)[0]
    told = Seen.of(mixing, shares, np.arange(3 * len(GARMENTS)), expected.ravel())
    other = np.array([[0.6, 0, 0, 0.4, 0], [0.5, 0.1, 0, 0.4, 0], [0, 0, 1.0, 0, 0]])
    assert_allclose(told.lab(other), mixing.lab(other), atol=1e-6)
    before = mixing.predict(other).joint.covariance
    after = told.predict(other).covariance
    ratio = [np.trace(a) / np.trace(b) for a, b in zip(after, before, strict=True)]
    assert ratio[0] < ratio[1] < 0.8  # the same mix is known best, the next nearly so
    assert ratio[2] > 0.5  # of another ink alone what belongs to press and screen, and no more


def test_a_stronger_print_is_corrected_as_a_stronger_ink(mixing):
    """The correction of a mix whose ink counts double, found from one print of it."""
    shares, more = np.array([0.3, 0, 0, 0.7, 0]), np.array([0.2, 0, 0, 0.8, 0])
    law = strong(mixing, "C08", 1.8)
    read = mixing.lab(shares, law)[0].ravel()
    told = Seen.of(mixing, shares, np.arange(3 * len(GARMENTS)), read)
    off = np.abs(told.lab(more)[0] - mixing.lab(more, law)[0]).max()
    kept = mixing.lab(more)[0] + read.reshape(-1, 3) - mixing.lab(shares)[0]
    assert off < 2.0
    assert off < np.abs(mixing.lab(more)[0] - mixing.lab(more, law)[0]).max() / 2
    assert off < np.abs(kept - mixing.lab(more, law)[0]).max() + 0.5


def test_a_card_is_worth_something_until_there_is_one():
    setup = {**SETUP, "substrate_id": GARMENTS[0]}
    worth = tint_worth(small_model(), "C08", setup, [])
    assert worth is not None and worth.white in ("C24", "U1")
    assert 0.5 < worth.after_dE00 < 0.8 * worth.before_dE00
    known = of_tints(small_model(), tints(dict.fromkeys(TWICE[1:], 1)))
    less = tint_worth(small_model(), "C08", setup, known)  # cards of others tell in part of it
    assert less is not None and less.white == worth.white
    assert worth.after_dE00 < 1.05 * less.before_dE00 < worth.before_dE00
    assert less.after_dE00 < less.before_dE00
    assert tint_worth(small_model(), "C10", setup, known) is None
    blank = copy(small_model())
    blank.nothing_of = lambda: ["C08"]  # its own card comes first
    assert tint_worth(blank, "C08", setup, []) is None


def test_a_print_has_its_own_recipe_before_that_of_its_ink():
    shop = small_shop()
    of_ink, corrected = (("C08", 1.0), ("C10", 2.0)), (("C08", 3.0), ("C10", 2.0))
    inks = shop.inks.iloc[:2].assign(mix=pd.Series([of_ink, None], dtype=object))
    prints = shop.prints.iloc[:3].assign(ink_id=inks["ink_id"].iloc[0])
    prints = prints.assign(mix=pd.Series([None, corrected, None], prints.index, dtype=object))
    found = recipes_of(replace(shop, inks=inks, prints=prints))
    assert [dict(mix)["C08"] for mix in found] == [1.0, 3.0, 1.0]
    assert recipes_of(shop).isna().all()
