"""What is told of inks, garments and lots whose few prints do not fit."""

import numpy as np
import pandas as pd
import pytest

from learn.fit.contradiction import contradicting, contradicting_since, no_slip


def test_an_ink_is_unclear_where_too_few_prints_or_too_many_slips_tell_of_it():
    """0: a print as expected, 1: one far off, 2: a gross error."""
    inks = {"once": [1], "twice": [0, 1], "fits": [0], "far": [1, 1, 0, 0], "slip": [2] + 3 * [0]}
    inks |= {"fifth": [2, 2] + 8 * [0], "tenth": [2, 2] + 18 * [0]}
    name = [name for name, off in inks.items() for _ in off]
    off = np.array([one for each in inks.values() for one in each])
    X = pd.DataFrame({"ink": name, "laid_on": "G1", "lot": None})
    error = np.arange(3.0 * len(X)).reshape(-1, 3)
    found = contradicting(X, error, off > 0, off > 1)
    assert {level for level, unclear in found.items() if unclear} == {
        ("ink", "once"),
        ("ink", "twice"),
        ("ink", "fifth"),
    }

    def sd(i: int, share: float) -> np.ndarray:
        return error[i] * np.sqrt(share * no_slip("ink", error[i]))

    assert found["ink", "once"] == pytest.approx(sd(0, 1))
    assert found["ink", "twice"] == pytest.approx(sd(2, 1 / 2)), "one of two is off"
    second = np.flatnonzero(np.array(name) == "fifth")[1]
    assert found["ink", "fifth"] == pytest.approx(sd(second, 1 / 5)), "by the farther one"
    by_garment = contradicting(X.assign(ink="K1", laid_on=name), error, off > 0, off > 1)
    assert {of for (of, _), unclear in by_garment.items() if unclear} == {"laid_on"}
    by_lot = contradicting(X.assign(ink="K1", lot=name), error, off > 0, off > 1)
    assert {level for level, unclear in by_lot.items() if unclear} == {("lot", "fifth")}, (
        "one print says little of a lot: those before it say what to expect"
    )


def test_what_does_not_fit_is_not_cleared_by_one_print_that_does():
    """Of the second of two prints nobody can tell which is right; the third says."""
    X = pd.DataFrame({"ink": ["K1"], "laid_on": ["G1"], "lot": [None]})
    none, fits = np.zeros(1, bool), np.zeros((1, 3))
    for seen, told in ((2, False), (3, True), (9, False)):
        counts = {"ink": np.array([seen]), "laid_on": np.array([20])}
        found = contradicting_since(X, fits, none, none, counts)
        assert (("ink", "K1") in found) == told
        assert found.get(("ink", "K1")) is None


def test_the_farther_off_a_print_the_likelier_a_slip():
    """A card may be of another ink; no garment takes ink so unlike others."""
    off = np.arange(0.0, 90.0, 10.0)
    for column in ("ink", "laid_on", "lot"):
        chance = np.array([no_slip(column, np.array([0.0, 0.0, one])) for one in off])
        assert (np.diff(chance) < 0).all()
        assert chance[0] > 0.8 and chance[-1] < 0.1
    assert no_slip("ink", np.array([30.0, 0, 0])) > 0.5 > no_slip("laid_on", np.array([30.0, 0, 0]))
