"""From a colour and its spread to a verdict: against plain Monte Carlo and exact limits.

dE00 is judged by colour-science here, an implementation other than the one under test; Student's t
is drawn by scipy.
"""

import itertools

import colour
import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal, multivariate_t, t

from learn.colour.difference import difference
from learn.normal import BELIEVED, TAILS, Z90
from learn.predict.causes import Unseen
from learn.predict.costs import decide
from learn.predict.verdict import HOPELESS, Facts, ask_for_test, judge
from learn.shop import ShopSettings

RED, BLUE, GREY = [45.0, 60.0, 30.0], [35.0, 10.0, -45.0], [60.0, 0.5, 0.0]
SHOP = ShopSettings("made up", tolerance_dE00=2.0, confidence=0.9)


def cov(*sd: float, lean: float = 0.0) -> np.ndarray:
    """(3, 3) with these standard deviations; ``lean`` correlates L with a."""
    out = np.diag(np.square(sd))
    out[0, 1] = out[1, 0] = lean * sd[0] * sd[1]
    return out


def dE00(a, b) -> np.ndarray:
    return colour.delta_E(np.asarray(a), np.asarray(b), method="CIE 2000")


STRETCH = BELIEVED * Z90 / t(TAILS).ppf(0.95)


@pytest.mark.parametrize("steady", [True, False])
@pytest.mark.parametrize(
    ("mean", "spread", "target", "its_spread"),
    [
        (RED, cov(0.5, 1.0, 0.8), [46.0, 61.0, 31.0], None),
        (RED, cov(1.5, 2.0, 2.0, lean=0.9), RED, None),
        (BLUE, cov(2.0, 1.0, 4.0, lean=-0.7), [33.0, 12.0, -40.0], cov(1.0, 2.0, 2.0)),
        (GREY, cov(0.4, 0.4, 0.4), GREY, None),  # neutral: dE00 is far from linear there
        (RED, cov(0.3, 0.3, 0.3), [20.0, 30.0, 10.0], cov(3.0, 2.0, 1.0, lean=0.5)),
    ],
)
def test_against_monte_carlo(mean, spread, target, its_spread, steady):
    """Print and target, where that is uncertain too, are drawn together."""
    both = np.zeros((6, 6))
    both[:3, :3] = spread
    both[3:, 3:] = 0.0 if its_spread is None else its_spread
    at = {"allow_singular": True, "seed": 0}
    if steady:
        law = multivariate_normal(np.r_[mean, target], both, **at)
    else:
        law = multivariate_t(np.r_[mean, target], STRETCH**2 * both, df=TAILS, **at)
    drawn = dE00(*np.split(law.rvs(40_000), 2, axis=1))
    tolerance = np.median(drawn) * 1.1
    found = difference(
        np.array([mean]),
        spread[None],
        np.array([target]),
        np.array([tolerance]),
        None if its_spread is None else its_spread[None],
        steady=steady,
    )
    scale = drawn.std()
    exact = dE00(mean, target)
    assert found.expected[0] == pytest.approx(exact)
    low = min(exact, np.quantile(drawn, 0.05))
    assert found.lo[0] == pytest.approx(low, abs=0.15 * scale)
    assert found.hi[0] == pytest.approx(np.quantile(drawn, 0.95), abs=0.25 * scale)
    if steady or its_spread is None:  # what is asked of chances
        assert found.p_within[0] == pytest.approx((drawn <= tolerance).mean(), abs=0.025)


def test_without_spread_it_is_the_difference():
    mean, target = np.array([RED, BLUE, GREY]), np.array([BLUE, BLUE, [61.0, 0.0, 1.0]])
    exact = dE00(mean, target)
    zero = np.zeros((3, 3, 3))
    for its_spread in (None, zero):
        found = difference(mean, zero, target, exact + np.array([1e-6, 0, -1e-6]), its_spread)
        for value in (found.expected, found.lo, found.hi):
            np.testing.assert_allclose(value, exact, atol=1e-9)
        np.testing.assert_array_equal(found.p_within, [1, 1, 0])


def test_a_narrow_spread_is_a_gaussian_along_the_difference():
    """Far from the target dE00 is linear in the print: quantiles in closed form."""
    step, h, sd = np.array([3.0, 2.0, 1.0]), 1e-5, 0.02
    target = np.array(RED) + step
    slope = [(dE00(np.add(RED, h * e), target) - dE00(RED, target)) / h for e in np.eye(3)]
    wide = sd * np.linalg.norm(slope)
    found = difference(
        np.array([RED]),
        cov(sd, sd, sd)[None],
        target[None],
        np.array([dE00(RED, target)]),
        steady=True,
    )
    assert found.lo[0] + found.hi[0] == pytest.approx(2 * dE00(RED, target), abs=0.2 * wide)
    assert found.hi[0] - found.lo[0] == pytest.approx(2 * 1.645 * wide, rel=0.03)
    assert found.p_within[0] == pytest.approx(0.5, abs=0.02)


def test_chance_rises_with_tolerance_and_falls_with_spread():
    tolerances = np.linspace(0, 8, 30)
    many = np.ones((30, 1))
    p = [
        difference(
            many * RED, np.tile(k * cov(1, 1, 1), (30, 1, 1)), many * RED, tolerances
        ).p_within
        for k in (0.25, 1.0, 4.0)
    ]
    for chance in p:
        assert (np.diff(chance) >= 0).all() and chance[0] < 0.01
    assert (p[0] >= p[1]).all() and (p[1] >= p[2]).all()
    assert p[0][-1] == 1.0


def test_the_same_set_up_gets_the_same_answer_in_any_company():
    """2,500 set-ups are judged in blocks; each answer is its own."""
    n = 2500
    mean = np.tile(RED, (n, 1)) + np.random.default_rng(1).normal(size=(n, 3))
    spread = np.tile(cov(1, 1, 1), (n, 1, 1))
    tolerance = np.full(n, 2.0)
    together = difference(mean, spread, mean + 1, tolerance, spread)
    for i in (0, 1999, 2000, 2499):
        one = slice(i, i + 1)
        alone = difference(mean[one], spread[one], mean[one] + 1, tolerance[one], spread[one])
        np.testing.assert_allclose(np.ravel(alone), [part[i] for part in together], rtol=1e-9)


def test_confidence_rule_and_cost_rule():
    """With both costs: test when (1 - p) x spoiled > test, whatever the confidence."""
    p = np.array([0.5, 0.85, 0.87, 0.89, 0.91, 0.99])
    by_confidence = ask_for_test(p, SHOP)
    np.testing.assert_array_equal(by_confidence, p < 0.9)
    costs = ShopSettings("x", cost_test_print=35.0, cost_spoiled_print=260.0)  # p < 0.8654
    np.testing.assert_array_equal(ask_for_test(p, costs), p < 1 - 35 / 260)
    dear = ShopSettings("x", cost_test_print=35.0, cost_spoiled_print=10_000.0)
    np.testing.assert_array_equal(ask_for_test(p, dear), p < 1 - 35 / 10_000)
    one_cost = ShopSettings("x", cost_test_print=35.0)
    np.testing.assert_array_equal(ask_for_test(p, one_cost), by_confidence)


def verdict(mean, spread, noise, target=None, unseen=(), settings=SHOP, **setup) -> pd.Series:
    setup = {"setup_id": "S1"} | setup
    if target is not None:
        setup |= dict(zip(["target_L", "target_a", "target_b"], target, strict=True))
    return judge(
        np.array([mean]),
        spread[None],
        noise[None],
        np.array([mean]) + 3,
        cov(0.1, 0.1, 0.1)[None],
        pd.DataFrame([setup]),
        [unseen],
        settings,
    ).iloc[0]


SHARP, VAGUE, STEADY = cov(0.2, 0.2, 0.2), cov(4, 4, 4), cov(0.1, 0.1, 0.1)


NEW = (Unseen("press", "never", "P9"),)


def told(found: pd.Series) -> tuple[str, str]:
    return str(found["verdict"]), str(found["cause"])


def test_go():
    found = verdict(RED, SHARP, STEADY, target=RED)
    assert told(found) == ("go", "sure")
    assert found["p_in_tolerance"] > 0.99
    assert found["target_lo"] <= found["target_dE00"] <= found["target_hi"] < 1


def test_what_is_not_known():
    """Too unsure; nothing like it was seen. It may be new and yet certain, or yet hopeless."""
    assert told(verdict(RED, VAGUE, STEADY, target=RED)) == ("test", "unsure")
    assert told(verdict(RED, VAGUE, STEADY, target=RED, unseen=NEW)) == ("test", "unseen")
    sure = verdict(RED, SHARP, STEADY, target=RED, unseen=NEW)
    assert told(sure) == ("go", "sure")
    assert sure["unseen"] == NEW, "a go keeps its note"
    assert told(verdict(RED, SHARP, STEADY, target=BLUE, unseen=NEW)) == ("change", "misses")


ODD = ("contradict", "nothing")
OVER = Unseen("over", "never", "water_based\x1fplastisol")
STRAIGHT_ON = Unseen("straight on", "never", "water_based\x1fdark")


@pytest.mark.parametrize(
    "one", [Unseen("ink", "contradict", "K1"), Unseen("ink", "nothing", "K1"), OVER, STRAIGHT_ON]
)
def test_what_no_chance_knows_of_is_tested_whatever_its_chance(one):
    """Prints of an ink that do not fit its card; a type of ink over a type of base."""
    odd = (one,)
    cheap = ShopSettings("x", cost_test_print=99.0, cost_spoiled_print=100.0)
    for settings in (SHOP, cheap):
        found = verdict(RED, SHARP, STEADY, target=RED, unseen=odd, settings=settings)
        assert told(found) == ("test", "unseen")
        assert found["p_in_tolerance"] > 0.99
        assert told(verdict(RED, SHARP, STEADY, unseen=odd, settings=settings))[1] == "unseen"
    facts = Facts(*np.array([[0.999], [1.0], [1.0], [0.0], [2.0]]), np.array([True]), [odd])
    assert decide(facts, cheap).cost == [99.0]
    far = told(verdict(RED, SHARP, STEADY, target=BLUE, unseen=odd))
    assert far == (("change", "misses") if one in (OVER, STRAIGHT_ON) else ("test", "unseen"))


def test_what_a_test_print_cannot_mend():
    """A colour off target, or at the very edge of its tolerance; scatter of the press itself."""
    misses = verdict(RED, SHARP, STEADY, target=BLUE)
    assert told(misses) == ("change", "misses")
    assert misses["target_dE00"] == pytest.approx(dE00(RED, BLUE))
    assert told(verdict(RED, VAGUE, VAGUE, target=RED)) == ("change", "uneven")
    half = cov(0.5, 0.5, 0.5)
    for L, cause in ((46.9, "near_limit"), (47.4, "misses")):  # the tolerance lies between them
        edge = verdict(RED, half, half, target=[L, 60.0, 30.0])
        assert told(edge) == ("change", cause)
        assert (edge["target_dE00"] > 2.0) == (cause == "misses")
        assert edge["p_in_tolerance"] > HOPELESS


def test_near_the_limit_a_test_print_is_asked_for_where_it_may_well_let_it_go():
    """Three times in ten, counted over what the test print may find: the colour known, scatter
    left."""
    noise, rng = cov(0.3, 0.3, 0.3), np.random.default_rng(3)
    asked = []
    for sd, L in itertools.product((0.4, 0.6), np.arange(45.5, 47.0, 0.2)):
        total, target = cov(sd, sd, sd), [L, 60.0, 30.0]
        found = verdict(RED, total, noise, target)
        if found["verdict"] == "go":
            continue
        once = rng.multivariate_normal(RED, total - noise, 200)
        goes = np.mean([verdict(lab, noise, noise, target)["verdict"] == "go" for lab in once])
        asked.append(told(found))
        if abs(goes - 0.3) > 0.12:
            assert (found["verdict"] == "test") == (goes > 0.3), (L, goes)
    assert {("test", "unsure"), ("change", "near_limit")} <= set(asked)


def test_what_is_predicted_out_of_tolerance_never_goes():
    """Whatever the costs say of its chance; new, and not hopeless, a test print will tell."""
    costs = ShopSettings("x", cost_test_print=90.0, cost_spoiled_print=100.0)  # go from 10 %
    off = [48.0, 60.0, 30.0]
    for unseen, answer in (((), "change"), (NEW, "test")):
        found = verdict(RED, cov(1.5, 1.5, 1.5), STEADY, off, unseen, costs)
        assert found["target_dE00"] > 2.0
        assert not ask_for_test(found["p_in_tolerance"], costs)
        assert found["verdict"] == answer


def test_a_wide_band_alone_is_no_reason_to_give_up_what_is_new():
    """All chances are small where little is known; far off by its band, it stays hopeless."""
    wide, near, far = cov(8.0, 8.0, 8.0), [48.0, 60.0, 30.0], [10.0, 60.0, 30.0]
    found = verdict(RED, wide, STEADY, target=near, unseen=NEW)
    assert found["target_dE00"] > 2.0 and found["p_in_tolerance"] < HOPELESS
    assert told(found) == ("test", "unseen")
    assert told(verdict(RED, wide, STEADY, target=far, unseen=NEW)) == ("change", "misses")
    assert told(verdict(RED, wide, STEADY, target=near)) == ("change", "misses")


def test_what_lies_within_the_bands_is_not_hopeless():
    """White never printed on black: lightness is open, and by the tangents a and b go with it."""
    way = np.array([29.0, 12.0, 17.0])
    grey, lighter = [70.0, 0.0, 0.0], [91.0, 0.0, 0.0]
    along = np.outer(way, way) + cov(1.0, 1.0, 1.0)
    found = verdict(grey, along, STEADY, target=lighter, unseen=NEW)
    assert found["p_in_tolerance"] < 0.001
    assert told(found) == ("test", "unseen")


def test_without_a_target_nothing_goes():
    """The print is held against its own prediction: that is no leave to produce."""
    found = verdict(RED, SHARP, STEADY)
    assert told(found) == ("test", "no_target")
    assert found["p_in_tolerance"] > 0.99
    assert found[["target_dE00", "target_lo", "target_hi"]].isna().all()
    assert told(verdict(RED, VAGUE, STEADY)) == ("test", "unsure")
    assert told(verdict(RED, VAGUE, STEADY, unseen=NEW)) == ("test", "unseen")
    assert told(verdict(RED, VAGUE, VAGUE)) == ("change", "uneven")
    half = verdict(RED, SHARP, STEADY, target_L=20.0, target_a=np.nan, target_b=np.nan)
    assert told(half) == ("test", "no_target"), "two cells of a target are missing"


def test_tolerance_of_the_set_up_comes_first():
    near = [46.5, 60.0, 30.0]
    strict = verdict(RED, SHARP, STEADY, target=near, tolerance_dE00=0.5)
    usual = verdict(RED, SHARP, STEADY, target=near, tolerance_dE00=np.nan)
    assert (strict["verdict"], usual["verdict"]) == ("change", "go")
    assert (strict["tolerance_dE00"], usual["tolerance_dE00"]) == (0.5, 2.0)


def test_shift_is_from_the_bucket_with_its_own_spread():
    found = verdict(RED, SHARP, STEADY)
    exact = dE00(RED, np.array(RED) + 3)
    assert found["shift_lo"] < exact < found["shift_hi"]
    assert found["shift_dE00"] == pytest.approx(exact)
