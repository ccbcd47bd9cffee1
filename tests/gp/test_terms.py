"""Features of the residual's terms against scikit-learn's kernels."""

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import expm
from scipy.stats import norm
from scipy.stats import t as student
from sklearn.gaussian_process.kernels import RBF, Matern

from learn.fit.residual import TERMS
from learn.gp.terms import FittedTerm, Term

NAMES = [term.name for term in TERMS]
SMOOTH = [
    term
    for term in TERMS
    if term.smooth and not (term.linear or term.growing or term.drifting or term.untold)
]


def history(n: int = 60, seed: int = 0) -> pd.DataFrame:
    """Encoded features of n invented prints: every column some term looks at."""
    rng = np.random.default_rng(seed)
    smooth = sorted({column for t in TERMS for column in t.smooth})
    levels = sorted({t.levels for t in TERMS if t.levels})
    # few distinct values, as a shop's settings have
    X = pd.DataFrame({c: rng.choice([-1.5, -0.5, 0.0, 0.7, 1.6], n) for c in smooth})
    for column in levels:
        X[column] = rng.choice([f"{column}-{i}" for i in range(3)], n).astype(object)
    for column in sorted({t.where for t in TERMS if t.where}):
        X[column] = rng.random(n) < 0.5
    return X


def where(term: Term, X: pd.DataFrame) -> np.ndarray:
    return np.ones(len(X), bool) if term.where is None else X[term.where].to_numpy()


def prior_variance(fitted: FittedTerm, X: pd.DataFrame) -> np.ndarray:
    """What a print may be off by a term: 1, or what its number says; more of a level never seen
    where most are alike and some are not, and the further from the middle where the term grows or
    is a line."""
    term, whole = fitted.term, np.ones(len(X))
    if term.tails:
        unseen = ~X[term.levels].isin(fitted.level_names).to_numpy()
        z = student(term.tails).ppf(0.95) / norm.ppf(0.95)
        whole[unseen | X[list(term.smooth)].isna().any(axis=1)] = z**2
    if term.untold:
        return (X[term.smooth[0]] ** 2).fillna(1.0).to_numpy()
    if term.linear and (fitted.level_names or not term.levels):
        whole *= ((X[term.smooth[0]] - fitted.inducing.mean()) ** 2).fillna(1.0).to_numpy()
    if term.drifting:
        length = term.lengths[0]
        t = X[term.smooth[0]].clip(lower=0) / length
        drifted = 2 * length**2 * (t - 1 + np.exp(-t))
        whole *= drifted.where(X[term.levels].isin(fitted.level_names)).fillna(1.0).to_numpy()
    if term.growing:
        numbers = X[list(term.smooth)]
        low, high = fitted.inducing.min(axis=0), fitted.inducing.max(axis=0)
        beyond = numbers - numbers.clip(low, high, axis=1)
        whole *= (1 + (beyond**2).sum(axis=1, skipna=False)).fillna(1.0).to_numpy()
    return whole


@pytest.mark.parametrize("name", NAMES)
def test_prior_variance_is_one_wherever_the_term_acts(name):
    """Features carry a part, the remainder the rest (FITC: Quinonero-Candela & Rasmussen 2005)."""
    term = TERMS[NAMES.index(name)]
    fitted = FittedTerm.of(term, history())
    new = history(40, seed=1)
    if term.smooth:
        new.loc[:9, list(term.smooth)] *= 5  # far outside
        new.loc[10:14, term.smooth[0]] = np.nan  # not known
    if term.levels:
        new.loc[15:19, term.levels] = "never seen"
        new.loc[20:24, term.levels] = None
    psi, rest = fitted.features(new, np.log(term.lengths))
    present = where(term, new)
    assert psi.shape == (40, fitted.size) and rest.shape == (40,)
    whole = prior_variance(fitted, new)
    assert ((rest >= 0) & (rest <= whole)).all()
    assert not psi[~present].any() and not rest[~present].any(), "absent elsewhere"
    lost = np.zeros(40, bool)
    lost[10:15] |= bool(term.smooth)
    lost[15:25] |= bool(term.levels)
    assert not psi[lost].any(), "nothing is known of what was never seen"
    np.testing.assert_array_equal(rest[lost & present], whole[lost & present])
    if not term.linear:
        np.testing.assert_allclose((psi**2).sum(axis=1) + rest, whole * present, atol=1e-5)


@pytest.mark.parametrize("term", SMOOTH, ids=lambda t: t.name)
def test_at_inducing_points_the_kernel_is_scikit_learns(term):
    X = history()
    fitted = FittedTerm.of(term, X)
    m = len(fitted.inducing)
    at = pd.concat([X.iloc[:1]] * m, ignore_index=True)
    at[list(term.smooth)] = fitted.inducing
    at["based"] = term.where == "based"
    if term.levels:
        at[term.levels] = [fitted.level_names[i % 2] for i in range(m)]
    lengths = np.array(term.lengths) * 0.8
    psi, rest = fitted.features(at, np.log(lengths))
    kernel = Matern(lengths, nu=1.5) if term.rough else RBF(lengths)
    expected = kernel(fitted.inducing)
    if term.levels:
        level = at[term.levels].to_numpy()
        expected = expected * (level[:, None] == level)
    np.testing.assert_allclose(psi @ psi.T + np.diag(rest), expected, atol=1e-4)
    assert m <= term.points


def test_outside_the_history_less_and_less_is_known():
    """Its variance doubles over one step and grows with the square of the distance: a guess."""
    X = history()
    term = Term("curve", "film", 0.02, smooth=("eom_um",), lengths=(1.5,), growing=True)
    ends = X["eom_um"].min(), X["eom_um"].max()
    new = pd.DataFrame({"eom_um": [ends[0] - 2, ends[0], 0.1, ends[1], ends[1] + 1, ends[1] + 9]})
    psi, rest = FittedTerm.of(term, X).features(new, np.log(term.lengths))
    np.testing.assert_allclose((psi**2).sum(axis=1) + rest, [5, 1, 1, 1, 2, 82], atol=1e-4)
    assert rest[-1] > 80, "and nothing of what was printed says any of it"


def test_what_drifts_is_forecast_as_by_a_kalman_filter():
    """Integrated Ornstein-Uhlenbeck speed: state space (Sarkka & Solin 2019, Applied Stochastic
    Differential Equations, chapter 12), its step by Van Loan's matrix exponential (1978)."""
    length, noise = 2.5, 0.3
    days = np.array([0.2, 0.9, 1.0, 2.7, 4.0, 4.1, 6.5])
    seen = np.array([0.1, 0.3, -0.2, 0.8, 1.9, 1.5, 3.0])
    ahead = 9.0

    A = np.array([[0.0, 1.0], [0.0, -1 / length]])
    mean, cov = np.zeros(2), np.diag([0.0, 1.0])  # starts at 0 with a usual speed
    now = 0.0
    for day, y in zip([*days, ahead], [*seen, None], strict=True):
        both = np.zeros((4, 4))
        both[:2, :2], both[2:, 2:], both[1, 3] = -A, A.T, 2 / length
        both = expm(both * (day - now))
        step = both[2:, 2:].T
        mean, cov = step @ mean, step @ cov @ step.T + step @ both[:2, 2:]
        now = day
        if y is not None:
            gain = cov[:, 0] / (cov[0, 0] + noise**2)
            mean, cov = mean + gain * (y - mean[0]), cov - np.outer(gain, cov[0])

    term = Term("drift", "film", 0.02, smooth=("day",), lengths=(length,), drifting=True)
    fitted = FittedTerm.of(term, pd.DataFrame({"day": days}))
    at = np.array([ahead])
    by = partial(fitted.kernel, log_lengths=np.log([length]))
    K = by(days[:, None], days[:, None]) + noise**2 * np.eye(len(days))
    k = by(at[:, None], days[:, None])
    assert (k @ np.linalg.solve(K, seen))[0] == pytest.approx(mean[0], rel=1e-6)
    left = by(at[:, None], at[:, None]) - k @ np.linalg.solve(K, k.T)
    assert left[0, 0] == pytest.approx(cov[0, 0], rel=1e-6)
    # and in features, where every day is an inducing point
    psi, rest = fitted.features(pd.DataFrame({"day": [*days, ahead]}), np.log([length]))
    np.testing.assert_allclose(psi[:-1] @ psi[:-1].T, K - noise**2 * np.eye(7), atol=1e-5)
    assert (psi[-1] @ psi[-1]) + rest[-1] == pytest.approx(by(at[:, None], at[:, None])[0, 0])


def test_a_strange_level_counts_as_much_as_it_was_found_to():
    X = history()
    term = Term("strength: lot", "strength", 0.05, levels="lot", tails=3.0)
    fitted = FittedTerm.of(term, X)
    fitted = replace(fitted, strange=np.array([1.0, 4.0, 1.0]))
    psi, rest = fitted.features(X, np.zeros(0))
    np.testing.assert_allclose((psi**2).sum(axis=1), np.where(X["lot"] == "lot-1", 4.0, 1.0))
    assert not rest.any()
    w = np.array([[1.0, 1.0, 1.0]])
    np.testing.assert_allclose(fitted.pushed(fitted.seen(X), np.zeros(0), w)[:, 0], psi @ w[0])


def test_equal_levels_share_and_others_do_not():
    X = history()
    fitted = FittedTerm.of(Term("film: press", "film", 0.1, levels="press"), X)
    psi, rest = fitted.features(X, np.zeros(0))
    press = X["press"].to_numpy()
    np.testing.assert_array_equal(psi @ psi.T, press[:, None] == press)
    assert not rest.any()


def test_a_straight_line_passes_through_the_middle_of_the_history():
    X = history()
    term = Term("line", "film", 0.03, smooth=("eom_um",), linear=True)
    fitted = FittedTerm.of(term, X)
    new = pd.DataFrame({"eom_um": [X["eom_um"].mean(), X["eom_um"].mean() + 2, np.nan]})
    psi, rest = fitted.features(new, np.zeros(0))
    np.testing.assert_allclose(psi[:, 0], [0, 2, 0], atol=1e-12)
    np.testing.assert_array_equal(rest, [0, 0, 1])


@pytest.mark.parametrize("name", [t.name for t in TERMS if t.smooth or t.levels])
def test_a_history_that_wrote_nothing_down(name):
    """No inducing point, no level: all of the prior stays open, print by print."""
    term = TERMS[NAMES.index(name)]
    X = history()
    empty = X.assign(**dict.fromkeys(term.smooth, np.nan))
    if term.levels:
        empty[term.levels] = None
    fitted = FittedTerm.of(term, empty)
    psi, rest = fitted.features(X, np.log(term.lengths))
    if term.linear and not term.levels:  # a line needs no history, only a number
        assert psi.any()
    else:
        whole = prior_variance(fitted, X) if term.linear or term.untold else 1.0
        whole = whole * fitted.of_unseen
        assert fitted.size == 0 and psi.shape == (len(X), 0)
        np.testing.assert_allclose(rest, where(term, X) * whole)
        assert (fitted.of_unseen > 1) == (term.tails is not None)


def test_many_settings_are_thinned_to_the_points_asked_for():
    rng = np.random.default_rng(2)
    X = pd.DataFrame({"day": rng.uniform(0, 12, 500)})
    term = Term("time", "film", 0.1, smooth=("day",), lengths=(4.0,), rough=True, points=20)
    fitted = FittedTerm.of(term, X, random_state=3)
    assert fitted.size == 20
    again = FittedTerm.of(term, X, random_state=3)
    np.testing.assert_array_equal(fitted.inducing, again.inducing)
    psi, rest = fitted.features(X, np.log([4.0]))
    exact = Matern(4.0, nu=1.5)(X.to_numpy())
    assert np.abs(psi @ psi.T + np.diag(rest) - exact).max() < 0.05, "twenty points carry it"


def test_no_lot_of_a_large_shop_is_forgotten():
    """The lot in the press today is among the least printed; its news must have a weight."""
    X = pd.DataFrame({"lot": [f"L{i:03}" for i in range(400)] * 2 + ["today"], "day": 0.0})
    X["day"] = np.linspace(0, 12, len(X))
    lots = FittedTerm.of(Term("strength: lot", "strength", 0.05, levels="lot", tails=3.0), X)
    assert len(lots.level_names) == 401 and "today" in lots.level_names
    over_time = Term("time", "film", 0.1, levels="lot", smooth=("day",), lengths=(4.0,), rough=True)
    assert FittedTerm.of(over_time, X).size <= 400, "weights by level and number stay few"
