"""What no print has shown yet is named."""

import copy
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from learn.fit.linearisation import GROUND_SCALES
from learn.predict.calibration import ALL_SITUATIONS
from learn.predict.causes import Cause, Unseen
from learn.predict.novelty import DAY, LATER_DAYS, LEVELS, THINNER, TOLD, Likeness
from pipelines.words.verdict import unseen_words
from tests.small_demo import (
    TINY_INKS,
    held_out,
    next_prints,
    small_model,
    tiny_model,
)

USUAL = dict.fromkeys(LEVELS.values(), "old") | {number.name: 0.0 for number in TOLD}
USUAL |= {"base_ink": None, "bare": False, "log_film": 0.0}


def test_what_was_never_seen_is_named():
    setups = held_out("unseen_ink")
    found = small_model().predict(setups)
    assert (found["cause"] == Cause.UNSEEN).any()
    assert all(Unseen("ink", "never", "C08") in one for one in found["unseen"])
    known = small_model().predict(next_prints())["unseen"]
    assert not any(one.how == "never" for unseen in known for one in unseen)


def test_a_ground_of_a_colour_never_printed_on_is_named():
    """Tiny's prints lie on white, black and yellow; its royal garment is blue until based."""
    bare = next_prints(TINY_INKS).head(1).assign(substrate_id="G07", underbase_ink_id=None)
    bare = bare.assign(underbase_mesh_id=None, underbase_strokes=np.nan)
    based = bare.assign(underbase_ink_id="U1", underbase_mesh_id=bare["mesh_id"])
    unseen = [tiny_model().predict(setup)["unseen"].iloc[0] for setup in (bare, based)]
    assert Unseen("ground", "never", "G07\x1f") in unseen[0]
    assert "ground" not in {one.what for one in unseen[1]}


def test_a_screen_never_used_for_a_base_is_named():
    """Its mesh may be known well, as a screen of the top ink."""
    prints = small_model().prints_
    bases = set(prints["underbase_mesh_id"].dropna())
    mesh = next(m for m in prints["mesh_id"] if m not in bases)
    setup = prints.head(1).assign(setup_id="S", underbase_ink_id="U1", underbase_strokes=1.0)
    note = Unseen("base mesh", "never", mesh)
    unseen = small_model().predict(setup.assign(underbase_mesh_id=mesh))["unseen"].iloc[0]
    assert note in unseen
    assert unseen_words([note], {}) == f"no print yet with a base through mesh {mesh}"
    for bare in (setup.assign(underbase_mesh_id=next(iter(bases))),
                 setup.assign(underbase_ink_id=None, underbase_mesh_id=None)):  # fmt: skip
        unseen = small_model().predict(bare)["unseen"].iloc[0]
        assert not any(one.what == "base mesh" for one in unseen)


def test_a_base_of_which_nothing_is_measured_or_printed_is_named():
    """Nothing is hopeless over it, and nothing goes; one print over it tells of it."""
    likeness = tiny_model().likeness_
    X = tiny_model().features(next_prints(TINY_INKS).head(2)).assign(base_ink=["NEW", None])
    note = Unseen("base", "nothing", "NEW")
    unseen = likeness.unseen(X, ["NEW"])
    assert note in unseen[0] and note not in unseen[1]
    assert note.wants_test and note.no_ground
    known = likeness.with_more(Likeness.of(X.assign(day=0.0)))
    assert note not in known.unseen(X, ["NEW"])[0]
    assert note not in likeness.unseen(X)[0]


def test_a_base_never_printed_is_named_and_widens():
    """Its card tells how it lies, not how inks take it up."""
    setup = next_prints(TINY_INKS).dropna(subset="underbase_ink_id").head(1)
    other = setup.assign(underbase_ink_id="C24")
    model = copy.copy(small_model())
    assert not any(one.what == "base" for one in model.unseen(setup)[0])
    note = Unseen("base", "never", "C24")
    assert note in model.unseen(other)[0]
    assert unseen_words([note], {"ink": {"C24": "White"}}) == "no print yet over base White (C24)"
    X = model.features(other)
    factors = dict.fromkeys(ALL_SITUATIONS, 1.0)
    known = replace(model.likeness_, counts={**model.likeness_.counts, "base": {"C24": 9}})
    assert_allclose(model.likeness_.spread(X, factors) ** 2, 2 * known.spread(X, factors) ** 2)


def test_a_type_of_ink_over_a_type_of_base_never_printed_is_named():
    """Whichever inks: any of the one type over any of the other has shown how they take."""
    types = pd.Series({"C02": "plastisol", "C19": "water_based", "C24": "water_based"})
    encoder = tiny_model().encoder_
    inks = encoder.inks.assign(ink_type=types.reindex(encoder.inks.index, fill_value="plastisol"))
    rows = [("C02", "U1"), ("C19", None), ("C24", "U1")]
    prints = pd.DataFrame(rows, columns=["ink_id", "underbase_ink_id"])

    def told(inks: pd.DataFrame, history: pd.DataFrame, asked: pd.DataFrame) -> list[str]:
        over = [replace(encoder, inks=inks).over(one) for one in (history, asked)]
        X = [pd.DataFrame([USUAL | {"day": 0.0}] * len(o)).assign(over=o) for o in over]
        likeness = Likeness.of(pd.concat([X[0]] * 9))
        return [unseen_words(one, {}) for one in likeness.unseen(X[1])]

    new = "no print yet of a water-based ink over a plastisol base"
    asked = prints.assign(ink_id=["C02", "C19", "C19"], underbase_ink_id=["U1", None, "U1"])
    assert told(inks, prints.head(2), asked) == ["", "", new]
    assert told(inks, prints, asked) == ["", "", ""], "C24 was"
    assert told(inks.assign(ink_type=None), prints.head(2), asked) == ["", "", ""]


def test_a_type_of_ink_straight_on_dark_cloth_never_printed_so_is_named():
    """Where another type was: discharge says nothing of how water-based ink takes to black."""
    types = pd.Series({"C02": "discharge", "C19": "water_based", "C24": "water_based"})
    encoder = tiny_model().encoder_
    encoder = replace(encoder, inks=encoder.inks.assign(ink_type=types))
    rows = [("C02", "G02", None), ("C19", "G02", "U1"), ("C24", "G01", None)]  # black, black, white
    columns = ["ink_id", "substrate_id", "underbase_ink_id"]

    def told(history: list, asked: list) -> list[str]:
        prints = (pd.DataFrame(some, columns=columns) for some in (history, asked))
        on = [encoder.straight_on(one) for one in prints]
        X = [pd.DataFrame([USUAL | {"day": 0.0}] * len(o)).assign(straight_on=o) for o in on]
        likeness = Likeness.of(pd.concat([X[0]] * 9))
        return [unseen_words(one, {}) for one in likeness.unseen(X[1])]

    new = "no print yet of a water-based ink straight on dark cloth"
    asked = [("C19", "G02", None), ("C19", "G02", "U1"), ("C19", "G01", None)]
    assert told(rows, asked) == [new, "", ""]
    assert told([*rows, ("C24", "G02", None)], asked) == ["", "", ""], "C24 was"
    assert told(rows[1:], asked) == ["", "", ""], "no other type was either: bands are wide there"
    assert Unseen("straight on", "never", "water_based\x1fdark").wants_test


def test_a_setting_that_no_print_tells_is_tested_where_it_is_far_from_usual():
    """Off-contact of a few mm is usual (common practice, no source): what 30 do, no print of a shop
    says that never wrote it down."""
    model, prints = small_model(), next_prints().head(3)
    likeness = model.likeness_
    untold = {name: ends for name, ends in likeness.ranges.items() if name != "off_contact_mm"}
    model = copy.copy(model)
    model.likeness_ = replace(likeness, ranges=untold)
    found = {mm: model.unseen(prints.assign(off_contact_mm=mm)) for mm in (np.nan, 1.5, 30.0)}
    told = Unseen("off_contact_mm", "untold")
    assert not any(told in one for mm in (np.nan, 1.5) for one in found[mm])
    assert all(told in one for one in found[30.0])
    assert told.wants_test and "off-contact" in unseen_words([told], {})


def test_bands_of_what_is_new_in_several_ways():
    """What each adds to the usual variance adds up; where prints left out show less of all that is
    new, the most of these holds, half-way: what is new is surer once it was printed."""
    five = [USUAL | {"day": 0.0, "ink": f"old {i}", "mesh": f"old {i}"} for i in range(5)]
    history = pd.DataFrame(five * 9)
    factors = dict.fromkeys(ALL_SITUATIONS, 1.1) | {"mesh": 0.8, "press": 1.3, "garment": 1.4}
    factors |= {"outside": 1.2, "ink": 0.9}
    between = np.sqrt(0.9 * 1.1)
    outside = {number.name: 9.0 for number in TOLD[:2]}
    asked = [
        (1.1, {}),
        (np.sqrt(0.8 * 1.1), {"mesh": "new"}),
        (1.3, {"era": "new"}),
        (1.3, {"era": "new", "mesh": "new"}),
        (np.sqrt(1.3**2 + 1.4**2 - 1.1**2), {"era": "new", "substrate": "new"}),
        (np.sqrt(1.1**2 + 2 * (1.2**2 - 1.1**2)), outside),
        (between, {"ink": "new", "lot": "new\x1fI24"}),  # whose lots are new with it
        (between, {"ink": "new", "mesh": "new"}),
        (1.3, {"ink": "new", "era": "new"}),
    ]
    setups = pd.DataFrame([dict(history.iloc[0]) | new for _, new in asked])
    likeness = Likeness.of(history)
    of_four = Likeness.of(history[history["ink"] != "old 4"])
    new = setups[setups["mesh"] == "new"]
    assert_allclose(of_four.spread(new, factors), [1.1, 1.3, 1.1], err_msg="too few to tell")
    assert_allclose(likeness.spread(setups, factors), [spread for spread, _ in asked])
    once = likeness.with_more(Likeness.of(history.head(1).assign(ink="few")))
    few = setups.head(1).assign(ink="few")
    assert_allclose(likeness.spread(few, factors | {"ink": 1.4}), 1.4)
    # a print is three values: the 90 % points of Student's t with 7 and 10 degrees of freedom
    # (printed tables) beside the normal one
    t7, t10 = 1.895 / 1.645, 1.812 / 1.645
    assert_allclose(once.spread(few, factors), between * t7, rtol=1e-3)
    assert_allclose(once.spread(few, factors | {"ink": 1.4}), np.sqrt(1.4 * 1.1) * t7, rtol=1e-3)
    twice = once.with_more(Likeness.of(history.head(1).assign(ink="few")))
    assert_allclose(twice.spread(few, factors), 1.1, rtol=1e-3)  # t10 of it would be less
    assert_allclose(twice.spread(few, factors | {"ink": 1.0}), np.sqrt(1.1) * t10, rtol=1e-3)


def test_an_ink_contradicts_itself_until_prints_bear_each_other_out():
    once = Likeness.of(
        pd.DataFrame([USUAL | {"day": 0.0}] * 9 + [USUAL | {"ink": "odd", "day": 0.0}])
    )
    asked = pd.DataFrame(
        [USUAL | {"day": 0.0, "ink": ink} for ink in ("odd", "none", USUAL["ink"])]
    )

    def how(likeness: Likeness) -> list[str]:
        return [u.how for one in likeness.unseen(asked) for u in one if u.what == "ink"]

    assert how(once) == ["few", "never"]
    apart = (3.0, -4.0, 0.0)
    far = once.contradicted_by({("ink", "odd"): apart, ("ink", "none"): (1.0, 0.0, 0.0)})
    assert far.apart(asked).tolist() == [[3, -4, 0], [1, 0, 0], [0, 0, 0]]
    garment = far.contradicted_by({("laid_on", USUAL["laid_on"]): (0.0, 0.0, 2.0)})
    assert garment.apart(asked).tolist() == [[3, -4, 0], [0, 0, 2], [0, 0, 2]], "the farther one"
    assert how(far) == ["contradict", "contradict"]
    assert how(far.contradicted_by({})) == ["contradict", "contradict"]
    again = far.with_more(Likeness.of(asked.head(1)))
    assert how(again) == ["contradict", "contradict"]
    second, off = asked.head(1), np.array([apart])
    no, yes = np.array([False]), np.array([True])
    still = again.with_prints(second, off, no, no)
    assert how(still) == ["contradict", "contradict"], "one of two is wrong, and which?"
    third = still.with_more(Likeness.of(asked.head(1)))
    assert how(third.with_prints(second, off, no, no)) == ["few", "contradict"], "the first was"
    assert how(once.with_prints(second, off, yes, no)) == ["contradict", "never"]
    usual = asked.tail(1)
    assert how(once.with_prints(usual, off, yes, no)) == ["few", "never"], "nine others agree"


def test_a_lot_whose_prints_were_set_aside_is_unclear():
    usual = pd.DataFrame([USUAL | {"day": 0.0}] * 9)
    batch = usual.head(2).assign(lot="K1\x1fnew")
    off = np.full((2, 3), 5.0)

    def told(gross: list[bool]) -> bool:
        gross = np.array(gross)
        likeness = Likeness.of(usual).with_more(Likeness.of(batch))
        unseen = likeness.with_prints(batch, off, gross, gross).unseen(batch.head(1))
        return Unseen("lot", "contradict", "K1\x1fnew") in unseen[0]

    assert told([True, True])
    assert not told([True, False]), "one slip says nothing of its lot"


def test_bands_of_films_thinner_than_a_garment_has_borne():
    """Bare, and only there: wider from a tenth on, up to an e-fold; a garment that was printed
    over a base alone is as little known half-way; one never printed is new as such."""
    usual = USUAL | {"day": 0.0, "bare": True}
    borne = usual | {"log_film": np.log(10.0) / GROUND_SCALES["log_film"]}
    likeness = Likeness.of(pd.DataFrame([borne, borne | {"substrate": "S2", "bare": False}] * 5))
    um = np.array([20.0, 10.0, 9.5, 6.0, 4.0, 1.0, 0.1])
    films = pd.DataFrame([borne] * len(um)).assign(log_film=np.log(um) / GROUND_SCALES["log_film"])
    factors = dict.fromkeys(ALL_SITUATIONS, 1.1)
    found = likeness.spread(films, factors)
    assert_allclose(found[:3], 1.1)
    assert (np.diff(found[2:6]) > 0).all()
    assert_allclose(found[5:], 1.1 * np.sqrt(1 + THINNER))
    assert_allclose(likeness.spread(films.assign(bare=False), factors), 1.1)
    half = 1.1 * np.sqrt(1 + THINNER / 2)
    assert_allclose(likeness.spread(films.assign(substrate="S2"), factors), half)
    assert_allclose(likeness.spread(films.assign(substrate="S3"), factors), 1.1)
    more = likeness.with_more(Likeness.of(films.tail(1)))
    assert_allclose(more.spread(films, factors), 1.1)


@pytest.mark.parametrize(("later", "far"), [(0.9, 1.1), (1.5, np.sqrt(2 * 1.5**2 - 1.1**2))])
def test_bands_change_steadily_with_the_days_since_the_last_print(later, far):
    """Without a day on which a verdict would turn; not narrower than what was ever left out."""
    likeness = Likeness.of(pd.DataFrame([USUAL | {"day": 10.0}] * 9))
    after = np.array([-50.0, 0, LATER_DAYS / 2, LATER_DAYS, 9 * LATER_DAYS])
    setups = pd.DataFrame([USUAL | {"day": 10 + days / DAY} for days in after])
    factors = dict.fromkeys(ALL_SITUATIONS, 1.1) | {"later": later}
    later = max(later, 1.1)
    half = np.sqrt((1.1**2 + later**2) / 2)
    assert_allclose(likeness.spread(setups, factors), [1.1, 1.1, half, later, far])
    assert_allclose(likeness.spread(setups.assign(day=np.nan), factors), 1.1)
