"""Slips made on purpose are found and named; right prints are left alone."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from learn.monitoring import inspection

INKS = {"red": (45, 60, 35), "green": (50, -55, 30), "blue": (30, 10, -50), "pink": (46, 60, 33)}
BASES = pd.DataFrame(
    {"underbase_ink_id": ["white"], "underbase_mesh_id": ["m"], "underbase_strokes": [2.0]}
)
SD = np.array([0.8, 1.0, 1.0])


class KnownShop:
    """A shop whose prints have a known mean and scatter: a base lightens by 20."""

    def __init__(self) -> None:
        def unknown(setups):
            lost = np.flatnonzero(~setups["ink_id"].isin(list(INKS)))
            return pd.DataFrame({"row": lost})

        self.encoder_ = SimpleNamespace(inks=pd.DataFrame(index=list(INKS)), unknown=unknown)

    def predict_lab(self, setups):
        mean = np.array([INKS[ink] for ink in setups["ink_id"]], float)
        mean[setups["underbase_ink_id"].notna().to_numpy(), 0] += 20
        return SimpleNamespace(mean=mean, covariance=np.tile(np.diag(SD**2), (len(mean), 1, 1)))


def batch(n: int = 40, seed: int = 3) -> tuple[pd.DataFrame, np.ndarray]:
    rng = np.random.default_rng(seed)
    prints = pd.DataFrame(
        {
            "print_id": [f"P{i}" for i in range(n)],
            "ink_id": rng.choice(["red", "green", "blue"], n).astype(object),
            "underbase_ink_id": pd.Series(rng.choice(["white", None], n), dtype=object),
        }
    )
    lab = KnownShop().predict_lab(prints).mean + SD * rng.normal(size=(n, 3))
    return prints, lab


def look(prints, lab, typed=True, **more) -> inspection.Arrival:
    typed = np.full(len(prints), typed)
    return inspection.inspect_arrivals(KnownShop(), prints, lab, typed=typed, bases=BASES, **more)


def test_the_limit_is_the_chi_square_table_s():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4: upper 0.001 point, 3 degrees
    assert inspection.limit(1e-3) ** 2 == pytest.approx(16.266, abs=0.001)
    assert abs(inspection.ORDINARY - 11.345) < 0.001  # upper 0.01 point


def test_right_prints_are_doubted_as_often_as_stated():
    prints, lab = batch(n=4000)
    found = look(prints, lab, false_alarm=0.01)
    assert found.doubtful.mean() == pytest.approx(0.01, abs=0.005)  # three standard errors
    np.testing.assert_allclose(found.distance, np.linalg.norm((lab - found.expected) / SD, axis=1))
    assert not look(*batch()).doubtful.any()


def test_a_difference_nobody_sees_is_not_doubted_however_sure_the_model():
    prints, _ = batch()

    class Sure(KnownShop):
        def predict_lab(self, setups):
            told = super().predict_lab(setups)
            return SimpleNamespace(mean=told.mean, covariance=told.covariance / 10_000)

    model = Sure()
    lab = model.predict_lab(prints).mean + np.array([0.2, 0.0, 0.0])
    lab[0, 0] += 2
    typed = np.ones(len(prints), bool)
    found = inspection.inspect_arrivals(model, prints, lab, typed=typed, bases=BASES)
    assert (found.distance > inspection.limit()).all()
    assert found.doubtful.tolist() == [True] + [False] * 39


SLIPS = {
    "ink": ("ink", lambda p, lab: p.loc.__setitem__((0, "ink_id"), "pink")),
    "base": ("base", lambda p, lab: p.loc.__setitem__((0, "underbase_ink_id"), None)),
    "exchanged": ("typed", lambda p, lab: lab.__setitem__(0, lab[0, [0, 2, 1]])),
    "sign": ("typed", lambda p, lab: lab.__setitem__(0, lab[0] * [1, -1, 1])),
    "L in a": ("typed", lambda p, lab: lab.__setitem__(0, lab[0, [1, 0, 2]])),
    "mixed up": ("print", lambda p, lab: lab.__setitem__([0, 1], lab[[1, 0]])),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_named(slip):
    prints, _ = batch()
    prints.loc[:, ["ink_id", "underbase_ink_id"]] = ["red", None]
    prints.loc[0, ["ink_id", "underbase_ink_id"]] = ["green", "white"]
    prints.loc[1, ["ink_id", "underbase_ink_id"]] = ["blue", None]
    lab = KnownShop().predict_lab(prints).mean + 0.5
    kind, make = SLIPS[slip]
    make(prints, lab)
    found = look(prints, lab)
    assert found.doubtful[0]
    assert found.slips[0] is not None
    assert found.slips[0].kind == kind
    expected = {"ink": "green", "exchanged": "a and b exchanged", "sign": "the sign of a lost",
                "L in a": "L and a exchanged", "mixed up": "P1", "base": "white"}  # fmt: skip
    assert expected[slip] in found.slips[0].names


def test_what_explains_nothing_is_not_named_and_spectra_are_not_typed():
    prints, lab = batch()
    prints.loc[0, ["ink_id", "underbase_ink_id"]] = ["blue", None]
    lab[0] = [52, 14, -28]
    found = look(prints, lab)
    assert (found.doubtful[0], found.slips[0]) == (True, None)
    lab[0] = np.array(INKS["blue"])[[0, 2, 1]]
    assert look(prints, lab).slips[0].kind == "typed"
    assert look(prints, lab, typed=False).slips[0] is None


def test_two_inks_alike_are_both_named():
    prints, lab = batch(8)
    prints.loc[:, ["ink_id", "underbase_ink_id"]] = ["green", None]
    lab[:] = INKS["green"]
    lab[0] = [45.5, 60, 34]
    assert set(look(prints, lab).slips[0].names) == {"red", "pink"}


def test_an_ink_the_model_does_not_know_is_not_judged():
    prints, lab = batch()
    prints.loc[0, "ink_id"] = "new"
    lab[0] = [99, 0, 0]
    found = look(prints, lab)
    assert np.isnan(found.distance[0])
    assert not found.doubtful.any()
    prints["ink_id"] = "new"
    assert np.isnan(look(prints, lab).distance).all()
