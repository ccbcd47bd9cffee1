"""Features of the residual's terms against scikit-learn's kernels."""

import numpy as np
import pandas as pd
import pytest
from sklearn.gaussian_process.kernels import RBF, Matern

from learn.fit.residual import TERMS
from learn.gp.terms import FittedTerm, Term

NAMES = [t.name for t in TERMS]
SMOOTH = [t for t in TERMS if t.smooth and not t.linear]


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
    assert ((rest >= 0) & (rest <= 1)).all()
    assert not psi[~present].any() and not rest[~present].any(), "absent elsewhere"
    lost = np.zeros(40, bool)
    lost[10:15] |= bool(term.smooth)
    lost[15:25] |= bool(term.levels)
    assert not psi[lost].any(), "nothing is known of what was never seen"
    np.testing.assert_array_equal(rest[lost & present], 1.0)
    if not term.linear:
        np.testing.assert_allclose((psi**2).sum(axis=1) + rest, present, atol=1e-12)


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
    if term.linear:  # a line needs no history, only a number
        assert psi.any()
    else:
        assert fitted.size == 0 and psi.shape == (len(X), 0)
        np.testing.assert_array_equal(rest, where(term, X))


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
